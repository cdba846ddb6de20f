// Package reamerwear learns what size a reamer cuts, and how fast that falls, from
// the holes that it has cut.
//
// # The model
//
// A reamer that has travelled s cuts
//
//	c(s) = c0 - r s + e
//
// with c0 its cut size when it began, r >= 0 what a metre takes off, and e the scatter from
// hole to hole, normal with standard deviation sigma. The travel is the sum of the depths cut,
// each times the severity of its material and lubricant. An observation is c(s) measured with a
// known standard uncertainty u. A sharpening or an adjustment begins a new life (shared design
// of the club's tools: a new c0 and r); sharpening the chamfer alone does not restore the size.
//
// # What is assumed before anything is measured
//
// c0 is normal about what the cutter's measured diameter and the overcut of its guidance
// say; r is normal too, cut off below 0, with a usual value for the tool's material and a wide
// doubt; sigma is one of a few values with stated weights. All are independent.
//
// # How it is computed
//
// For each sigma the line's two numbers have a normal posterior, in closed form, cut off at r >= 0:
// Bayesian linear regression (e.g. A. Gelman et al., Bayesian Data Analysis, 14). What each
// sigma explains weighs it; the answer is the mixture. What is cut off is integrated over r by
// quadrature, c0 within it exactly. Nothing is sampled.
//
// Of the history only seven sums are kept for each sigma, about the means of what was seen (B. P. Welford,
// Technometrics 4 (1962) 419, in two dimensions with weights), so another hole costs the same after ten as after
// a hundred thousand.
//
// # Units
//
// Sizes are in micrometres from any origin (the marked size is a good one), travels in metres, so rates in
// micrometres per metre.
//
// # What it does not do
//
// It does not decide that an observation is wrong: Observe tells how surprising each was,
// for a control chart to judge. It knows one straight line: a reamer that wears fast at first and
// then slowly is told as one rate with more scatter. A built-up edge, which cuts larger, is scatter to it.
package reamerwear
