// Package wear tells how things of the club change with use: how the clearance
// of a joint grows over time or distance, and whether an instrument drifts.
//
// # Vocabulary
//
// A sitting is what was read of a joint on one day (UTC), apart before and after
// a repair on that day. An Event is something done to a joint between readings:
// lubricated, repaired, other. A Distance is what a vehicle's odometer showed.
// Both are history: never edited, voided with a reason when wrong.
//
// # The clearance at a sitting
//
// Passing size of the bore less size of the pin, each estimated from the
// sitting's own readings by package recommend, as for any recommendation. A pin
// that was not read at the sitting is taken as at the latest sitting before, else
// the first after, at which it was, since the same repair. A pin never read is
// taken as the standard one, before the first repair; after one it may be
// another, so that the sitting is left out.
//
// # Segments
//
// A repair is an event, or a reading of stage reamed or assembled that follows
// one as found or cleaned; both on one day are one. Lubrications start a new
// rate. Other events start nothing.
//
// # What sittings share
//
// The doubt of a bore's size is that of the readings and that of the form (a
// reading says little of where it was not taken). A worn bore keeps its form from
// one sitting to the next. Where all sittings were read in the same way (as many
// readings, with the same method, stations and directions as noted), what the
// form, the method's bias and one instrument's one calibration leave open is the
// same at each: it is given to the line as shared, and moves it without touching
// its rate. If the places differed after all, the points scatter more than they
// should, chi-square shows it and the intervals are widened. Where the ways
// differ, or gauges were tried, sittings are taken as independent, which leaves
// the rate rather too doubtful. So is the doubt of a pin that stands for all
// sittings shared.
//
// # How far the vehicle has gone
//
// Between two readings of its odometer the vehicle is taken to have gone evenly.
// A sitting within a week of the first or the last reading takes that one;
// beyond, its distance is not known. Where an odometer was replaced and nobody
// knows what it showed last, or one shows less than before, what lies before
// cannot be joined with what comes after: only the latest stretch counts.
//
// # What it does not do
//
// It knows no check piece that an instrument reads day by day: only calibrations
// tell of its drift.
package wear
