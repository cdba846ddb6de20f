// Package gaugestudy says how much of what an instrument shows is the
// instrument: a crossed study in which several people read several parts several
// times, analysed by analysis of variance.
//
// # Words
//
// p parts, o people and r trials in each cell make p·o·r readings. What varies is
//
//   - equipment variation EV, the repeatability: one person reading one part again;
//   - appraiser variation AV, the reproducibility: people differ;
//   - the interaction INT: people differ on some parts more than on others;
//   - gauge variation GRR = √(EV² + AV² + INT²);
//   - part variation PV and total variation TV = √(GRR² + PV²).
//
// Each is a standard deviation in the unit of the readings, micrometres where this
// service uses it.
//
// # Formulas
//
// With the mean squares P of parts, O of people, I of the interaction and E of the
// repeats, all effects random,
//
//	EV² = E    INT² = (I - E)/r    AV² = (O - I)/(p r)    PV² = (P - I)/(o r)
//
// When the interaction is not significant (its F test has a probability over
// Study.PoolAbove) its sum of squares goes with that of the repeats, and E of
// the pooled row takes the place of I. Both models are served; Result.Pooled says
// which one counts. A component that comes out below zero is set to zero, and said
// so: it is too small for this study to see. One person leaves no AV, one part
// no PV; what cannot be estimated is absent, not zero.
//
// The percentage of study variation is 100·component/TV, of contribution
// 100·component²/TV², of tolerance 100·6·component/tolerance. The number of distinct
// categories is √2·PV/GRR, cut to a whole number (printed tables take 1.41).
//
// # Intervals
//
// That of EV is exact (chi-square). The others are modified large-sample intervals:
// F. A. Graybill and C.-M. Wang, J. Amer. Statist. Assoc. 75 (1980) 869, for sums of
// mean squares; N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C.
// Lu, J. Statist. Comput. Simul. 35 (1990) 135, for differences. Both as in R. K.
// Burdick, C. M. Borror and D. C. Montgomery, Design and Analysis of Gauge R&R
// Studies, SIAM 2005 (formulas from memory; the tests hold their coverage by
// simulation). With two or three people the upper end of AV is far away, and
// rightly so: three people say little of how people differ.
//
// # Marked positions
//
// A part that is not round reads differently across another direction. Unless the place
// to read was marked, that difference stands in EV though the instrument has no
// part in it. Where the form error w (the largest diameter less the smallest) is
// known, a direction at random adds w²/8 to the variance (the arcsine law), which
// Result.Form takes off.
//
// # What it does not do
//
// Studies with missing or surplus readings are refused: the formulas need equal
// cells. Nested studies (each part read by one person only) are another design. A
// go or no-go gauge has no reading: package attributestudy is for it. Whether a
// gauge is good enough is for whoever knows what it is for.
//
// Source of the analysis: the ANOVA method of Measurement Systems Analysis, AIAG, 4th
// ed. 2010; D. C. Montgomery, Design and Analysis of Experiments, chapter 13.
package gaugestudy
