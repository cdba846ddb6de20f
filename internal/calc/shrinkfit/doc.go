// Package shrinkfit says how hot a hub or how cold a pin must be for the pin to
// drop in by hand although it is larger than the hole.
//
// # Formula
//
// A length l at 20 °C becomes l (1 + α ΔT), ΔT from 20 °C, and a hole grows as the
// disc that was cut from it would. With hole D, interference δ and the clearance c
// wanted while joining,
//
//	D (1 + αh (Th − 20)) = (D + δ) (1 + αs (Ts − 20)) + c
//
// gives the hub's temperature Th for a pin at Ts, or the other way round. No
// roughness is taken off: peaks are still there when the parts meet. As they come to
// one temperature they press on each other; package pressfit says how much.
//
// Coefficients of expansion fall with temperature: from room temperature down to the
// cold of liquid nitrogen a metal shrinks by about three quarters of what its
// coefficient at room temperature says. ColdShare is that share; it is taken for all
// cooling, which is on the safe side for little cooling. (From memory, DIN 7190 lists
// 8.5 against 11 millionths for steel, 8 against 10 for grey iron.)
//
// A small joint needs as much heat as a large one for the same fit in proportion:
// interference of a thousandth and a clearance of as much ask for 170 K in steel. But
// it cools in seconds, so the clearance wanted is for the time it takes, too.
//
// # Where heat and cold do harm
//
// Limits lists what a part may be made of, coated or filled with, and the
// temperature it should not pass; common practice, no published source, unless it
// says otherwise. Colours of tempering on bright steel: pale straw 220 °C, purple
// 275 °C, blue 300 °C. They appear late: use crayons or an oven with a thermometer.
//
// # What it does not do
//
// It does not follow how parts cool while they are carried, nor how unevenly a
// flame heats. Temperatures are in °C, lengths in mm.
package shrinkfit
