// Package workplan lays the steps of a repair that are still to be done into the days
// of the member who does them, and says which tools to reserve.
//
// # Vocabulary
//
// A plan is made at one time from where the repair stands then, from an Ask (free
// hours, where to begin or by when to be done, when parts are ordered) and from when
// the club's tools can be had. It is kept as it was made and numbered from 1; the
// newest counts. The next plan takes over what it is not told anew, leaves every step where it
// was that may stay there, and tells of the others what moved and why (package criticalpath).
//
// Ordering says when parts are ordered: after measuring, when it is known which; before,
// when everything that may be needed is ordered at the beginning; or they are at hand.
// Delivery is a step of its own, as long as the supplier takes at the quantile asked for (package parts), or the series
// where the club keeps no supplier.
//
// A Use is a tool of a model for a stretch of the plan. What was reserved for a repair
// is held against its uses each time it is looked at: it serves one, or one has moved
// beyond it, or nothing needs it any more. Nothing is ever cancelled or moved here:
// that is told, with the request that does it.
//
// # What is taken for granted
//
//   - Rounds of a repeat after the first are done in passing, whenever they are due; they take
//     minutes and no tools.
//   - A step's wait runs from its beginning, as the timers do.
//   - A step is done in one piece where a free span is long enough for it; else the ends of
//     free spans cut it.
//   - Of kinds of tools of which the club has several models, one is taken and named.
//   - A joint for which nothing was decided yet is planned for the option that is assumed.
//
// # What it does not do
//
// It plans one member's hands, and one repair by itself: what the member does for others
// is not free time. It keeps nothing of how long steps really took.
package workplan
