// Package pressfit says what happens when a pin that is larger than its hole is
// pushed in: pressure, stresses, force, torque, and whether the parts stand it.
//
// # Vocabulary
//
// The hub is the outer part with the hole, such as the boss of a hinge leaf; the
// pin (or bush) is the inner part. Interference is pin diameter minus hole
// diameter before they are joined, so it is diametral. Pressed together they share
// the pressure p over the joint. Hoop stress runs round the axis, positive where it
// pulls. Equivalent stress is one number to hold against the yield stress of a bar
// in tension: by Tresca (greatest difference of principal stresses, the cautious
// one) or by von Mises (distortion energy).
//
// # Formulas
//
// Thick cylinders after Lamé (1852), plane stress (both parts free to change their
// length), in any book on machine elements. With diameter d, hub outside Do, pin
// bore Di (0 when solid), moduli E and Poisson's ratios ν of hub (h) and pin (s):
//
//	Ch = (Do² + d²) / (Do² − d²)      Cs = (d² + Di²) / (d² − Di²), 1 when solid
//	K  = (Ch + νh)/Eh + (Cs − νs)/Es
//	p  = interference / (d K)
//	hub bore:   hoop  p Ch,  radial −p;   outside: hoop 2 p d² / (Do² − d²)
//	pin:        surface hoop −p Cs, radial −p;   bore: hoop −2 p d² / (d² − Di²)
//	hub bore grows by p d (Ch + νh)/Eh, pin shrinks by p d (Cs − νs)/Es
//	force μ p π d L,  torque force × d/2
//
// All of it is proportional to the interference as long as nothing yields, so Law
// holds the coefficients and a caller who knows the interference only as a
// distribution integrates with them (Law.Force does so for a normal one). A worked
// answer that uses 1 − ν² is for plane strain, another case.
//
// # Roughness
//
// Peaks are pressed flat, so less interference works than was measured: factor ×
// (Rz of hub + Rz of pin). The factor is 0.8 in DIN 7190:2001 and 0.4 in DIN
// 7190-1:2017 (both as quoted in the manual of a bearing calculation; the standards
// themselves were not at hand). Rz is about 4 to 6 Ra, common practice.
//
// # Where it ends
//
// Beyond the yield stress (of a brittle hub: its tensile strength) these formulas
// are wrong, and Fit returns a *PlasticError instead of an answer; the force would
// rise less, and the hub stay wider or crack. A check against yield with a stated
// safety is made below that, by Tresca. A brittle pin is pressed from all sides and
// not checked, since its tensile strength says nothing of that.
//
// A knurled or splined pin cuts its own seat: there is no pressure between two
// round faces to compute, so Fit refuses it. What it takes is known from pins
// pressed in before: FromPressings turns their force and crest interference into a
// force for the next, with an interval. An eye rolled from strip with an open seam
// only bends open, and how much depends on the roll, not on any ring formula;
// Fit refuses it too, and nothing here answers.
//
// # What it does not do
//
// Stress peaks at the ends of the joint, speed, temperature in service, unequal
// lengths, uneven walls (take the least), several rings in one another, plastic
// joining (DIN 7190-1 has it). It does not choose the interference. Expanding a hub
// by heat is package shrinkfit.
//
// Units: mm, N, N·mm, MPa (N/mm²) and micrometres where a name says so.
package pressfit
