// Package straightness says which size a bent or stepped pin really needs.
//
// # Vocabulary
//
// Size is a pin's local diameter, two-point. Bow is how far its axis leaves the
// straight line through its ends. Virtual size is the diameter of the smallest
// straight cylinder over the engaged length that the pin fits into: its largest size
// and what the bow adds. It is what a bore or a full-length ring gauge feels:
// Taylor's principle (ISO 286-1, envelope requirement), the virtual condition of
// ISO 2692 (titles from memory; the definition is elementary geometry). A stepped pin
// is worn in some places and not in others, so its largest size decides whether it
// passes and its smallest how loose it runs.
//
// # From readings to the bow
//
// Rolled in two V-blocks near its ends, the dial over a place shows from least to
// greatest the runout, twice the offset of the axis there (FromRunout); out of round
// shows as well and makes the bow seem larger. Under a straightedge that rests on the
// pin's ends on the hollow side, the feeler gauge is the offset, and what the place is
// thinner in radius (FromGap).
//
// # Virtual size
//
// All offsets are taken in one plane, signed: + on one side, − on the other. At
// position z_i with offset e_i and radius r_i the pin fills e_i ± r_i, and
//
//	V = min over slopes a of  max_i(e_i + r_i − a z_i) − min_i(e_i − r_i − a z_i)
//
// which is convex and piecewise linear in a, so the least stands at a slope through two
// upper or two lower points: all are tried. At the optimum V is a weighted sum of
// three points, which gives its uncertainty (JCGM 100, 5.1.2). Noise makes the largest
// of several readings too large rather than too small: on the safe side.
//
// Where only the bow in the middle is known the axis is taken as a circle's arc
// (Arc): of a length L engaged somewhere out of the whole length l it adds f (L/l)².
//
// # What it does not do
//
// Bows in two planes at once (a corkscrew) it takes for one: too small a size then.
// Whether a pin may be straightened depends on what it is: hardened pins crack.
//
// Lengths in mm.
package straightness
