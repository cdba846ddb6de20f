// Package censored fits a normal law to readings that are exact, known to lie
// in an interval, or censored on the left or the right, by maximum likelihood.
//
// # Vocabulary
//
// A reading is low < x ≤ high: exact when both are equal, left-censored
// ("below") when low is −∞, right-censored ("above") when high is +∞,
// interval-censored else. Its blur u is the standard uncertainty of the reading
// itself: what was read is x + e with e ~ N(0, u²), so that its law is
// N(μ, s²) with s² = σ² + u². Blur zero is the usual case of survival analysis.
//
// # Formulas
//
// With z = (x − μ)/s, the log likelihood is the sum over readings of
//
//	exact     −z²/2 − ln s − ½ ln 2π
//	else      ln [Φ((high − μ)/s) − Φ((low − μ)/s)]
//
// so that it depends on the unit of length through ln s of the exact readings.
// Standard errors are from the inverse of the observed information, the
// negative second derivatives in μ and ln σ in closed form (J. F. Lawless,
// Statistical Models and Methods for Lifetime Data, 2nd ed., Wiley 2003, 2.2 and
// appendix B; the parameters are those of the usual programs). An interval of 95 % is where
// the profile log likelihood has fallen by no more than half the 95 % quantile
// of χ² with one degree of freedom, 1.92 (D. R. Cox and D. Oakes, Analysis of
// Survival Data, Chapman & Hall 1984, 3.3); unlike ± 1.96 standard errors it
// follows the lopsidedness that censoring brings.
//
// # Method
//
// For a given σ every term is concave in μ, so a safeguarded Newton iteration
// finds the best μ. Without blur the likelihood is concave in (μ/σ, 1/σ)
// (R. J. Olsen, Econometrica 46 (1978) 1211–1215; J. Burridge, J. R. Statist. Soc. B 43 (1981) 41–45), so its profile over
// σ has one maximum; with blur it may have several, and all σ are scanned first.
// Everything is computed in units of the readings' range, so that units do not
// matter. No randomness; equal readings in any order give the same answer.
//
// # No finite answer
//
// Fit says so, with an error of its own for each case, rather than give a number:
// no reading; all readings open towards the same side (μ runs away); all
// readings share a common part and not two exact ones differ (σ shrinks to
// zero); ends so far on the wrong sides of each other that a wider σ is always
// better. When all readings are blurred, σ = 0 is an answer: the readings
// scatter no more than their own blur.
//
// # What it does not do
//
// Only the normal law; no covariates; no truncation (a reading that was never
// noted because it was too small). The readings of one worn bore have form errors,
// which are not normal: those are wornsize's.
package censored
