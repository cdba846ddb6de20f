// Package reaming advises how to ream a hole: how fast to turn the reamer, how
// fast to feed it, how much metal to leave for it, what to cut with, and how long
// an edge lasts.
//
// # Vocabulary
//
// The cutting speed v is that of the edge past the work, in metres a minute (feet a
// minute in the tables). The spindle speed n follows from it and the diameter D:
//
//	n = 1000 v / (π D)    v in m/min, D in mm, n in 1/min
//
// The feed is how far the reamer goes on in one turn: so much for each flute, times
// the flutes. The stock is what the reamer takes off the diameter. Hardness is
// Brinell, HB.
//
// # Speeds
//
// speeds.csv holds the speeds for drilling and for reaming with high-speed steel
// and carbide, by material and hardness: Machinery's Handbook, tables of cutting
// speeds for drilling and reaming, as copied on a toolmaker's pages (for carbon
// steels a second copy, high-speed steel only, agrees). A hardness belongs to the first
// row that reaches up to and including it; between two rows the harder one
// counts. Alloy steels have the rows of the cast steels of the same grades, since the
// wrought ones were not at hand; brass and bronze stand as remembered of the same
// handbook. The answer says so.
//
// A training manual of 1941 (TM 1-420) has reamers run at half the speed of drilling.
// Such is the lower end of the range: begin there, where the machine is light or
// the set-up not stiff. Carbide has no lower end: it breaks up when it rubs.
//
// # Stock and feed
//
// By machine: 0.005 to 0.010 in up to 0.170 in, 0.008 to 0.012 up to 0.280, 0.010 to
// 0.016 up to 0.880, 0.015 to 0.030 up to 2.5 in of diameter (toolmaker's pages);
// half as much again in light metals (a training text on undersizes). By hand or hand
// drill: 0.002 to 0.003 in (TM 1-1500-204-23-9). A bore that was reamed or worn, not
// drilled, may do with less: 0.005 in still take the marks off by machine (TM
// 1-420). What is less, or by hand less than the least, only rubs.
// Feed by machine: 0.002 to 0.003 in for each flute and turn (toolmaker's pages).
//
// # Tool life
//
// Taylor: v T^n = C, with T the life in minutes (F. W. Taylor, On the Art of Cutting
// Metals, 1907). Two lives at two speeds give n and C; Life says the life at
// another. Far from both speeds it is a guess.
//
// # What it does not do
//
// It does not know the machine's stiffness, runout or power, nor how worn the
// reamer is; hardened work is honed or ground, not reamed. Magnesium is left out on
// purpose: its chips burn.
package reaming
