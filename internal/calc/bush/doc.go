// Package bush works out how a worn hole is brought back to the standard pin with a
// bush: which hole to bore, which bush to turn, how it closes in, what to ream.
//
// # Vocabulary
//
// The bush is pressed into the boss: its outside is larger than the hole by the
// interference. Pressing closes its bore in (pressfit), so the bore is made larger
// before and, where the bush can be cut, reamed to its finished size in place. The
// finished bore leaves the running clearance over the standard pin. The wall is half
// of outside less bore; what is left of the boss is half of its outside less the hole.
//
// # Chain of sizes
//
// Every size is a range from least to greatest; with the hole H, the bush's outside B,
// the finished bore F, the pin P, and k what one unit of effective interference closes
// the bore in,
//
//	interference   i = B − H,  from B_min − H_max to B_max − H_min, or as wanted where
//	               the bush is turned to suit the hole as measured
//	closing in     c = k (i − loss), k from pressfit for the middle sizes
//	finished bore  F from P_max + least clearance to P_min + greatest clearance
//
// and for a bush that is reamed in place the bore before pressing is
//
//	from F_min − allowance − tolerance + c_min  to  F_min − allowance + c_min
//
// so that after pressing at least the allowance is left to ream even where the bush
// closes in least, and the reamer has at most what OutMost says. A bush that must not be cut
// (sintered, lined) is made so that it is right once pressed in:
//
//	from F_min + c_max  to  F_max + c_min
//
// which is empty where the closing in varies by more than the finished bore may: then
// the bore is sized with a burnishing pin, or the hole is held closer.
//
// # Choosing the outside
//
// Limits of a standard fit leave so wide an interference that a thin bush is loose at
// one end of it and yields at the other; a bush turned to suit the measured hole does
// not (common practice: one to two thousandths of its outside).
//
// Where no outside is given the smallest of the sizes offered is taken that leaves the bush
// its least wall, reaches sound metal (the size to which the hole cleans up) and leaves
// the boss its least wall.
//
// # Materials
//
// Bronze is reamed in place. Sintered bronze holds oil in pores that cutting smears
// shut: never ream it, size it with a smooth pin of the finished size, which springs
// back by some micrometres. A lined bush has its running face as a layer of a few
// tenths of a millimetre or less: nothing may be cut.
//
// # What it does not do
//
// It does not centre the hole: bore on the axis of the other hinge, or ream in line
// with a pilot. The ranges are limits, not distributions: all at their worst together.
//
// Least walls, allowances and chamfers are common practice, no published source. Sizes in
// mm, forces in N, stresses in MPa.
package bush
