// Package lending promises tools: which are free when, reservations that hold
// all of their lines or none, and giving them up again.
//
// A period is what a member has a tool for; it is half open. held is the period
// and the turnaround behind it, for cleaning and travel; it is written when the
// tool is booked, so that a later change of the club's rule moves no promise.
// Two held stretches of one tool never overlap: the exclusion constraint
// no_double_booking is the backstop. A line asks for one tool, or for any tool
// of a model, of which the service then chooses.
//
// Every write locks its tool rows first, in the order of their ids, then
// decides, then writes bookings, and the journal's head last: so writers that
// want the same tools queue instead of meeting in the constraint, and none wait
// in a circle.
//
// The package does not hand tools out, take them back or charge for them.
package lending
