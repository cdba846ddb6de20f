// Package waiting is the line for tools that are taken. An entry says what is
// needed together, within which window and for how long; the sweep offers the
// first free time to whoever joined first and can take it.
//
// An offer is a reservation with offer_until, so that it holds its tools by the
// same constraint as every other promise. Whether an entry can take a time is
// decided by booking it, with all the rules of the club: there is no second
// reading of them here.
//
// A time that was offered and not taken is not offered to the same entry again,
// nor is one that overlaps it. An offer that nobody answers puts the entry back
// into its place; the second one ends it. Times that are free may be reserved by
// anybody meanwhile, since holding everything back for whoever might want it
// would cost every reservation a search of the line: what is freed is offered by
// a sweep, which a write that may have freed something (Wakes) hastens, and which
// is run every minute whatever happens.
//
// Each write locks the entry's row first, then what lending locks: members,
// tools, reservations, the journal's head.
package waiting
