// Package formprior learns from a club's earlier features of one kind what to
// expect of the next: how much mouths are belled, how oval sections are, how much rust
// hides and how far the kind is worn (empirical Bayes: G. Casella, The American Statistician 39
// (1985) 83–87; B. Efron, Large-Scale Inference, Cambridge 2010, ch. 1).
//
// All lengths are micrometres of diameter from nominal.
//
// # Vocabulary
//
// A kind is features that wear alike; the caller says which do. Default: what
// is expected of a feature when no history is known, by the state of its
// surface. A factor is by how much a mean of the kind differs from its default;
// one factor serves bright and rusty features alike, so that both can be
// learned from. A known section: one section whose bell mouth (or ovality) is known
// exactly; the unit in which what data say, and what the default says, is weighed.
//
// # Model
//
// Each feature i is a cylinder of package wornsize with form error of mean
// k_τ τ_i in its mouths and k_ω ω_i across, τ_i and ω_i being its defaults, and a
// base size from N(c, s²). Its readings have the evidence Z_i(k_τ, k_ω, c, s)
// with all else integrated out. Readings are taken apart first (package apart) and of those
// without a station two kept, so that the cost is bounded. What is maximised is
//
//	Σ ln Z_i − K (ln k_τ + 1/k_τ) − K (ln k_ω + 1/k_ω) − K_B [ln s + (s₀² + (c − c₀)²)/(2 s²)]
//
// The penalties are conjugate: K known sections that average the default
// (inverse gamma law of an exponential mean), K_B known features with the
// centre c₀ and deviation s₀ of the default (normal and inverse gamma law; A. Gelman et al., Bayesian
// Data Analysis, 3rd ed., CRC 2014, 2.6 and 3.3). So without features the answer is
// exactly the default, and with many the default no longer counts.
//
// How much α metal lies beyond a surface shows only where a feature was
// read before and after cleaning: each gain is Exp(k_α α_i) blurred by its u (an
// exponentially modified normal law), with the same penalty.
//
// # Method
//
// ln Z_i is worked out by wornsize at 6 × 6 values of (k_τ, k_ω) from 1/6 to 6 with a flat law of the base,
// which costs mostFeatures × 36 estimates at most; between them it is a
// natural cubic spline in the logs. The law of the base at each then gives Z_i for
// any (c, s) by one sum. The maximum is found by scanning and golden sections, coordinate
// by coordinate. No randomness; features in any order give the same answer.
//
// What is learned of the base size comes back as a normal law, wider by √(1 + 1/n) for not knowing c.
//
// Interval: where the penalised profile log likelihood falls by less than 1.92; ends at 1/6 and 6 mean
// "or beyond". Sections: how many known sections the readings are worth, the
// curvature of Σ ln Z in ln k at the maximum (one known section has curvature one). Weight
// is sections/(sections + K), the share of the answer that is the data's.
//
// # What it does not do
//
// It does not decide which features are of a kind, knows no instruments and
// no dates. A feature that is later estimated with what was learned from it
// among others counts twice; with K and a few features that is mild, and leaving it
// out would give each feature a law of its own. Trends (later vehicles are worn more)
// and differences between vehicles beyond the exponential law are not modelled.
package formprior
