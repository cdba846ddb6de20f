// Package coating says how much clearance a coating eats.
//
// # Vocabulary
//
// A coating is a layer on a surface, its thickness counted from the metal outwards.
// On a round part it counts twice in diameter, and a pin and a bore that are both
// coated take from the clearance twice each:
//
//	eaten = 2 g_p t_p + 2 g_b t_b
//
// with thickness t and the share g of it that stands outside the old surface: 1 for
// what is laid on (plating, paint), about a half for what grows into the metal
// (anodising).
//
// # What is known of thickness
//
// Shops promise a least thickness, seldom a greatest. Kinds lists usual ranges, from
// least to greatest; sources stand with each. Electroplating throws thin into holes: in
// a bore deeper than it is wide from a third to all of what lies outside (common
// practice), which Range takes into account.
//
// Within its range a thickness is taken as rectangular, the clearance before coating as
// normal; that the clearance left is still at least what is needed has then a closed
// probability: the mean of a normal distribution function over a rectangle is a
// difference of its integrals.
//
// # What it does not do
//
// It does not count runs, drips and edges, which are thicker, nor what a fit scrapes
// off. Whether a bearing face should be coated at all is another question: it should
// not; mask it.
//
// Thicknesses and clearances in micrometres.
package coating
