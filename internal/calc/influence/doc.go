// Package influence finds readings of one feature that do not go with the
// others, says by how much each moves the answer, and which further reading
// would tell two readings apart that contradict each other. Nothing is dropped:
// whoever took the readings decides.
//
// All lengths are micrometres of diameter from nominal; the model is wornsize's.
//
// # Vocabulary
//
// Left out: the feature estimated without one reading, all else as it was. Shift:
// an answer with the reading less the answer without it. Predictive law: what
// the other readings let this one be. Surprise: how improbable the reading is
// under it.
//
// # Formulas
//
// A gauged outcome o has the predictive probability P(o | others) = Z/Z₋ᵢ, the
// evidence with over the evidence without it; that is its surprise, since a gauge has two or
// three outcomes and each tells something else. A measured value y has the predictive
// density f(y) = Z(y)/Z₋ᵢ, worked out by continuing the estimate with other values in its place; its surprise is two-sided,
//
//	p = 2 min(∫ from −∞ to y, ∫ from y to ∞) f
//
// (D. A. Gelfand, D. K. Dey and H. Chang, in Bayesian Statistics 4, Oxford 1992, 147–167: cross-validation
// predictive checks; M. J. Bayarri and J. O. Berger, J. Amer. Statist. Assoc. 95 (2000) 1127–1142.)
// A reading is an outlier when p < FamilyWise/n, n being how many tests were
// made (Bonferroni's inequality): of a hundred features whose readings are all sound, about
// one shows any.
//
// One wrong reading makes sound ones look odd, too: where several are found, each is
// tested again without the most surprising of them, and taken back if the rest
// then speaks for it.
//
// Two wrong readings that agree hide each other: without either of them the other
// still speaks for it. So the two greatest measured readings are also tested
// together against the rest, and the two least, each given the rest without both. With fewer than five readings that is
// not done: three against two is no majority worth the name.
//
// # Cost
//
// One estimate for each reading left out, and some twenty continued ones for a
// measured reading that looks odd (its density, times its spread, below what a normal law has at two deviations).
// At most MostLeftOut readings are left out, those furthest from their median; the answer says how many were not looked at. Feature by feature, and with
// readings taken apart (package apart): what it says is of differences, and shifts
// are those of that simpler estimate.
//
// # What it does not do
//
// Three or more wrong readings that agree are a majority to it. With two readings
// it can only say that they do not go together. It does not know who read what
// when; a slip of units or of a digit shows as what it did to the size.
package influence
