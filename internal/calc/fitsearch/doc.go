// Package fitsearch goes from the clearance that is wanted to the standard fits
// that keep it.
//
// # The question
//
// A window is the least and the greatest clearance that will do, negative for
// interference. A fit lies inside when its least clearance EI - es is not below
// the least wanted and its greatest ES - ei not above the greatest (ISO 286-1,
// definitions of the clearances). Since the two differ by the tolerances of both
// parts together, a window narrower than the sum of two tolerances holds no fit.
//
// Pairs are formed of every hole with every shaft of the chosen classes at the
// size, or are the classes of inch fits of ASME B4.1. The choice:
//
//   - Basis. In the hole-basis system all holes are H and the shaft's letter makes
//     the fit: one reamer and one plug gauge serve many fits. In the shaft-basis
//     system all shafts are h, which suits bought pins. Either takes both, Any also
//     pairs of two other letters, which ISO 286-1 allows but does not advise. All
//     inch fits of the embedded table are of the hole basis.
//   - Common. Classes in common use only, or all that the rules of ISO 286-1 give.
//   - Finest. The finest grade that can be made; a garage reams IT7 to IT8 and
//     turns IT8 to IT9 (common practice, no published source).
//
// # The order
//
// Tightest: the least mean clearance first, (least + greatest) / 2. Easiest: the
// widest tolerances of both parts together first. What is equal then goes by the
// other of the two; then hole basis before shaft basis before neither, common
// before uncommon classes, and at last the symbol by the standard's order of
// letters and grades. So the same question has the same answer.
//
// # When none fits
//
// The nearest misses are told instead: those whose clearances leave the window by
// the least, at both ends together, in the order above where that is equal.
//
// # What it does not do
//
// It does not say which clearance a joint wants, nor interpolate between
// standard fits.
package fitsearch
