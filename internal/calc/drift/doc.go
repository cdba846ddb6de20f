// Package drift says how far an instrument has wandered since it was calibrated, and
// when to calibrate it next.
//
// # Words
//
// A calibration finds a deviation, what the instrument shows too much, with a standard
// uncertainty. Time is in years from any origin, deviations in micrometres.
//
// # The model
//
// Between calibrations the deviation y moves in two ways at once:
//
//	y(t) = y(0) + b t + W(t)
//
// a steady rate b (wear of an anvil), and a random walk W whose variance grows by q
// for each year (knocks, dirt, a screw that is taken up). A line alone claims to know ever
// better where the instrument is going, however erratic it is; a walk alone cannot
// see wear. So both are kept, and the history decides: the rate is integrated
// over exactly by the Kalman filter (R. E. Kalman, J. Basic Eng. 82 (1960) 35; A. C. Harvey,
// Forecasting, Structural Time Series Models and the Kalman Filter, 1989, the local level
// with fixed slope), the step of the walk √q over a grid, each weighed by how well it
// foretold every calibration from those before it. The level y(0) has no prior, as in a
// regression.
//
// # Few calibrations
//
// One calibration tells no drift, two tell it badly. What is believed before is
// stated (Prior): the rate is normal about nothing, √q half-normal, by default each
// of a quarter of the permitted error per year: an instrument that is sound keeps within
// its error for some years (common practice, no published source). With many calibrations the
// prior fades; with one the answer is the prior's, wide, and says so.
//
// # The interval
//
// The proposed interval is the longest, up to Longest, throughout which the
// deviation stays inside ± the permitted error with the stated reliability. It is a statistical
// method in the sense of ILAC-G24/OIML D 10:2007 (from memory: its methods are the staircase, the
// control chart, time in use, checks in service, and statistical approaches). An instrument
// whose readings are corrected by the last certificate is held to its change since
// then (History.Corrected).
//
// Line is the plain weighted regression, for whoever wants to see it alone.
//
// # What it does not do
//
// It knows no repair or adjustment: give the history since the last one. It knows no
// use, only time.
package drift
