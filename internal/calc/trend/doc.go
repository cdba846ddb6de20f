// Package trend fits straight lines to how something wears, such as the
// clearance of a joint over time or distance, and says when a limit is reached.
//
// # Words
//
// Points are (x, y): x a time or a distance in any unit from any origin, y what
// was measured then, with its standard uncertainty u where that is known. The
// line is y = a + b x, fitted by weighted least squares with weights 1/u². The
// rate is b. The residual of a point is y less the line.
//
// # What the uncertainties are taken for
//
// Known: the u are standard uncertainties in the unit of y. The covariance of
// the estimates is (XᵀWX)⁻¹ and intervals use the normal law. Chi-square, the
// weighted sum of squared residuals, should then be about its degrees of
// freedom ν = n - p; the Birge ratio √(χ²/ν) should be about 1 (R. T. Birge,
// Phys. Rev. 40 (1932) 207).
//
// Estimated: the u are relative weights only (all alike where none is given) and
// the scale is found from the scatter: covariance s²(XᵀWX)⁻¹ with s² = χ²/ν,
// intervals by Student's t with ν (ISO/IEC Guide 98-3 = JCGM 100:2008, H.3).
//
// Widened: known, unless chi-square is so large that it happens less than once
// in twenty; then estimated, since the scatter shows more doubt than the u tell.
// The answer says which was used.
//
// An error shared by all points (SharedU, such as that of one instrument's
// calibration) does not average out and leaves the rate alone: it is added to
// the variance of the line everywhere. That is exact, since it moves every y,
// and with them every level, by the same amount.
//
// # Segments
//
// A repair starts a new level, and a new rate where that is asked for. A
// lubrication starts a new rate and leaves the line unbroken. All segments are
// fitted together by one least squares. A change at x belongs to what follows:
// the segment holds start <= x < next start. What the points cannot tell (the
// level of a segment without points, the rate from one place) is marked as not
// known; it never gets a number. Which linear functions of the parameters are
// known is found by the singular value decomposition of the weighted design
// (estimability, e.g. G. A. F. Seber, Linear Regression Analysis, 3.9).
//
// # Bands
//
// The band of the mean is m(x) ± q·se(m(x)); the interval for one further
// reading adds that reading's own variance. Both hold for one x at a time, not
// for all at once.
//
// # When the limit L is reached
//
// By Fieller (E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175): all x where
// (m(x) - L)² <= q² var m(x), a quadratic inequality. With g = q² var(b)/b²:
//
//   - g < 1: one bounded interval.
//   - g = 1: a ray, unbounded on one side.
//   - g > 1: the rate cannot be told from zero. Either two rays (all x but those
//     of a gap about the points, where the line is surely short of the limit or
//     past it) or the whole line.
//
// Cut to what lies ahead, two rays are often "not before x, with no latest":
// unbounded on one side. The set holds the true crossing with the stated
// probability even where g > 1, which an interval of estimate ± error does not.
//
// The mean line's crossing is not an individual's: where a single reading reaches
// L lies in the set with var m(x) + u² in place of var m(x) (the calibration
// interval of inverse prediction; N. R. Draper and H. Smith, Applied Regression
// Analysis, 3.2).
//
// # What it does not do
//
// It does not hold that wear only grows, nor that it is straight: look at the
// residuals and chi-square. It extrapolates; what happens to the joint
// later (dirt, water, a lost grease cap) is in no interval. Errors of x are
// taken as nil. It knows no units: what x and y are counted in is the caller's.
package trend
