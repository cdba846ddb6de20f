// Package whereabouts tells where the club's tools are and what comes next: the
// day of a garage, where one tool is and who has it, what it went through, and what
// is drawn of all that. It only reads; what it reads is written by lending, loan,
// tool and club.
//
// Vocabulary: a tool is at a garage, or out with a member. A line is one tool of
// a reservation, promised or out. A guest's host answers for what the guest has, so
// both are named.
//
// Days are those of the garage's own clock, from its first moment of the day to
// its first moment of the next (see club.DayBegins and day_begins in the
// schema), whatever hours lie between.
package whereabouts
