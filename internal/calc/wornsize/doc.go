// Package wornsize estimates what is left of worn cylinders: the passing size
// of a bore (the largest cylinder that goes through it) and its clean-up size
// (what a reamer must reach to cut everywhere), each as a probability law,
// from measured and gauged readings with shared instrument errors.
//
// All lengths are micrometres of diameter, counted from a nominal size that
// the caller chooses (so that 8 mm bores keep their nanometres in a float64).
// Readings are already corrected to 20 °C (ISO 1).
//
// # Vocabulary
//
// A section is one of three places along a cylinder: MouthA, Middle, MouthB,
// read or not; an unread mouth is where the surprise sits. Base size B: what
// the cylinder would be without form error. Bell mouth t: how much the
// smallest size of a section exceeds B. Ovality w: largest less smallest
// size of one section. Shared error: one that several readings carry alike
// (JCGM 100:2008, 5.2), such as the calibration of one instrument or the size of
// one gauge. Node: one value of all shared errors at which features are independent.
//
// # The bore
//
// Each section z has smallest size S_z = B + t_z and largest L_z = S_z + w_z,
// with t_z ~ Exp(BellMouth), in the middle Exp(BellMouth × MiddleShare), and
// w_z ~ Exp(Ovality). B is flat from Prior.Low to Prior.High with normal
// shoulders; hard edges are given shoulders of a thousandth of the width.
//
//	passing size   S = min S_z               (Taylor's principle, ISO 1938-1, ISO 286-1)
//	clean-up size  C = max (S_z + w_z + 2 e_z) + A
//
// A ~ Exp(Surface) is metal to be reached beyond the clean surface; e_z, the
// offset of the cut's axis, is Misalignment with a floating reamer and
// w_z/2 + Misalignment with one held to the original axis.
//
// A mean of zero (or below a thousandth of the sharpest blur) says that this
// form error does not exist; all zero leaves the plain model of one size with normal and censored readings.
//
// # The pin
//
// A pin is the mirror image and is computed as a bore of negated size. Its base
// is the size of its unworn ends; the middle falls below it by Exp(BellMouth)
// and is oval by Exp(Ovality), the ends by MiddleShare of both, so that
// MiddleShare zero makes the ends exact witnesses. Original is the base,
// Passing the largest size, CleanUp the smallest. Surface, Guidance and
// Misalignment belong to a cut and do not apply.
//
// # Readings
//
// A value is true size + bias + shared error + noise: noise normal with U, bias
// rectangular on [BiasLow, BiasHigh]. A measured reading at angle θ sees
// S_z + w_z |cos(θ−φ_z)|^k, k = Lobing, φ_z uniform. Without a direction that is
// an arcsine law blurred by the noise. Readings with directions at one station
// share φ_z, which is integrated out. One φ for all sections is not assumed: a
// shaft that tilts or a lever that pulls one way wears the mouths along one
// line, but nothing in a reading shows that it does, and independent angles
// only widen the answer. So is one φ for the bores of a joint, for the same reason. A measured reading without a station is of each
// section with probability 1/3, its direction then being ignored; of more than
// four such readings those that read most alike are taken to be of one section.
// Odd lobing (k does not describe it) is invisible to two points: use a gauge.
//
// A gauge has one effective size G = value − bias − shared error + Feel + noise
// for all it meets in one trial. Go: G < S; with PartLength only G < the mouth
// tried. NoGo: G is not below the mouth tried; at AnyStation below neither
// mouth. Starts: G is below the mouth tried (at AnyStation, either), not
// below S. Go, NoGo and Starts exhaust what a full-length gauge can do, Go and
// NoGo what a short one can, so that the ratio of the evidence with and without
// such a reading is its predictive probability.
//
// A Burred mouth has a lip of Exp(Burr) (BellMouth when Burr is zero) that
// makes it smaller than the metal behind it. Each reading meets a lip of its
// own, and the laws are of the metal, as after deburring: so a refusal at a burred
// mouth says little, a gauge that passes says as much as ever.
//
// # Slips and contradictions
//
// A measured reading has nothing to do with the size with probability Slip
// (misread, misplaced, of another part), its density then being the same
// everywhere over the width of what is believed before any reading; a gauged
// outcome is noted wrongly with probability Lapse, each outcome then being as
// likely. Both are so small that they change no answer unless readings cannot be
// true together. Then the answer lies wherever the fewest slips explain the most,
// wide where several explanations are as good, and evidence stays comparable:
// after any contradiction the outcomes of a further gauge still add up to one.
//
// Contradictions names the pairs that can hardly both be true. Slips gives, for
// each reading, the probability that it is the slip, for a share of slips that
// the caller believes in; it is flagged, never dropped. To see what a reading
// does, leave it out and Estimate again: the laws with and without it show its
// influence, the difference of LogEvidence how well the others foretold it.
//
// Readings with stated directions of one section are taken as all true, all
// slips, or one slip among them when they agree nowhere; only if that does not
// explain them either, as any mixture, which takes some hundred times as long.
//
// # Method
//
// No sampling: everything is quadrature, so that the same input gives the same
// bytes, in whatever order readings come. Shared errors that touch one reading
// are folded into it exactly; the others are integrated on nodes placed by a
// normal surrogate of their posterior (generalised least squares, exact without
// form error, blind to readings far from their fellows): product rules while
// they need few nodes, a rank-1 lattice through the inverse distribution
// functions for more, which spends its nodes on all shared errors at once where
// a product would multiply. Where all measured readings of a feature share one
// error, sizes are counted from it, so that their tables are made once, not at
// every node.
//
// Per feature, sizes lie on one mesh that is fine where readings are sharp and
// coarse elsewhere, in two looks: a rough one tells where the laws will lie.
// Cells in which no reading can explain the section are left out. Exponential
// laws have no memory, so E f(m + t) is one backward recursion with a cubic
// through four neighbours in each cell, and B integrates out in closed form:
// given that the smallest section is m, the others are independent above it.
// Gauged outcomes enter as sums of products of functions of one size each; where
// those would cancel to less than a tenth, they are integrated as they
// are, for every m at which a gauge is in doubt.
//
// Measured against importance sampling of the same model (a million draws, 28
// varied cases) the laws are right to about 1e-3 in probability; against
// generalised least squares the mean is right to 1e-6 of its deviation. With
// the lattice expect 1e-2.
//
// LogEvidence compares sets of the same readings, or the same set with and
// without a reading: the difference is the log of the probability (gauged) or
// density per µm (measured) with which the others foretell it.
//
// # Cost
//
// Twelve readings in three sections take one to two milliseconds of one core,
// with or without directions and one shared error; the count of allocations does
// not depend on the mesh (tables live in arenas that estimates hand on). A mesh has
// at most 420 sizes, so that a feature costs at most some hundred times as much,
// however many readings it has: they only add to the tables. Further shared errors
// multiply (see FoldShared). Set.Stop ends an estimate that nobody waits for, within one node
// of one feature. A reading more of a set estimated already costs one feature
// (Begin, With), a gauge the tables of its feature once for all it may do.
//
// # Orders of magnitude
//
// Common practice, no published source, on a bore of 8 mm: BellMouth and
// Ovality 10–20 µm, Surface 3–10, Feel 1–2 clean and 3–10 rusty, Burr as much as
// the bell mouth; U of a micrometer in a home garage 3–5, of a caliper 15–30.
//
// # What it does not do
//
// It decides nothing (that is choice), knows no instruments (uncertainty), no
// history (the caller sets Prior), no bent or tapered cylinders, and no change
// between readings: a reamed, honed or bushed bore starts a new feature.
package wornsize
