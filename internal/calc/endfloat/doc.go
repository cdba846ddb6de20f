// Package endfloat chooses the shims that bring the end float of a part into its
// target.
//
// # Vocabulary
//
// End float is how far a part can be moved along its axis between its stops: a
// shaft in its housing, a hinge between its eyes. A shim is a washer of known
// thickness put between; n shims of thicknesses t take their sum away. A stack is the
// thicknesses at hand, each with how many there are.
//
// # Choosing
//
// With measured float F (standard uncertainty u) and shims of uncertainty v each,
// what is left is F − Σt with the uncertainty √(u² + n v²) (JCGM 100, 5.1.2). Choose looks
// at every set of up to MostShims shims of the stack and takes the fewest with which
// the float left lies in the target with at least the probability asked for; of
// those the surest, which is the set whose sum is nearest to the middle of the target;
// of equals the one with the thickest shims. Fewest, because every face between
// shims adds dirt, spring and its own error (common practice). Where no set is sure
// enough, the surest of all is given and said not to be.
//
// The search is exact: every set is looked at, some ten milliseconds for the largest
// stack that is taken.
//
// # What it does not do
//
// It does not say what float a part should have. Errors of shims from one packet are
// taken as independent; measure the whole packet of those chosen together.
//
// Lengths are exact nanometres (package length); uncertainties are micrometres.
package endfloat
