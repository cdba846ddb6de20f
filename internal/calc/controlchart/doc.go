// Package controlchart judges whether single values that come one after another,
// such as the deviations found at an instrument's calibrations, still come from
// one process or show that something has changed.
//
// # Words
//
// The chart of individuals has a centre line c and control limits c ± 3σ. σ is
// estimated from the moving ranges MR = |x_i - x_(i-1)|, which a slow drift
// inflates little, unlike the standard deviation of all values:
//
//   - by their mean: σ = mean(MR)/d2, d2 = 2/√π = 1.128379… (normal law, ranges of
//     two; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, which prints
//     1.128 and so differs in the fourth digit);
//   - by their median: σ = median(MR)/d4, d4 = √2 Φ⁻¹(3/4) = 0.953873…, which single
//     jumps hardly move.
//
// The chart of moving ranges has its upper limit at D4·mean(MR), D4 = 1 + 3 d3/d2 =
// 3.266532…, d3 = √(2 - 4/π); its lower limit is 0. With another σ it is
// (d2 + 3 d3)σ.
//
// Phase 1 takes the limits from the values that are judged, phase 2 from a
// baseline: the first values of the segment, or centre and σ that are given.
//
// A segment begins where the process was changed on purpose (a regrind, an
// adjustment). Each has its own limits; neither moving ranges nor rules reach
// over its start.
//
// # Rules
//
// L. S. Nelson, The Shewhart control chart: tests for special causes, J. Qual.
// Technol. 16 (1984) 237; and Statistical Quality Control Handbook, Western
// Electric, 1956. They differ: nine on one side there, eight here. Six points in
// a row that rise are five rises. z is (x - c)/σ.
//
//	nelson_1             one point beyond 3σ
//	nelson_2             nine in a row on the same side of the centre
//	nelson_3             six in a row, all rising or all falling
//	nelson_4             fourteen in a row, up and down in turn
//	nelson_5             two of three in a row beyond 2σ on the same side
//	nelson_6             four of five in a row beyond 1σ on the same side
//	nelson_7             fifteen in a row within 1σ
//	nelson_8             eight in a row beyond 1σ, on either side
//	western_electric_1   one point beyond 3σ
//	western_electric_2   two of three in a row beyond 2σ on the same side
//	western_electric_3   four of five in a row beyond 1σ on the same side
//	western_electric_4   eight in a row on the same side of the centre
//	moving_range         a moving range above its limit
//
// Beyond means strictly beyond: 3.0σ exactly is not. Values equal to within
// rounding (a thousand-millionth of σ) count as on the line, since decimals are
// not exact in binary. On the centre is on neither side; on 1σ is neither within
// nor beyond. A signal stands at the point that completes it, which itself is one
// of those counted, and is given again at each further point that completes it.
//
// # How often chance alone signals
//
// With limits that are exact and values that are normal and independent, nelson_1
// alone signals once in 370 values, western_electric_4 alone once in 255,
// nelson_2 alone once in 511, the four Western Electric rules together once in
// 91.75 (C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393). The more rules are
// asked, the more often. Limits from few values are themselves uncertain: below
// FewForLimits values the answer says so.
//
// # What it does not do
//
// It does not say whether the values are good, only whether they hold together;
// values that depend on each other or are far from normal signal more often.
package controlchart
