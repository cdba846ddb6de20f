// Package criticalpath lays a network of activities into time: by itself, as the
// critical path method does, and into the days that one person has free.
//
// All times are whole numbers in one unit of the caller's (the service counts
// minutes), measured from a moment of the caller's. A Span is half open.
//
// # The network by itself
//
// Analyse makes the forward and the backward pass over activities that follow each
// other finish to start, with lags (Kelley, J. E. and Walker, M. R., "Critical-Path
// Planning and Scheduling", Proceedings of the Eastern Joint Computer Conference,
// 1959, pp. 160-173):
//
//	early start  ES = max over predecessors p of (EF_p + lag), at least 0
//	early finish EF = ES + duration
//	late finish  LF = min over successors s of (LS_s − lag), at most the length
//	total slack  TF = LS − ES
//	free slack   FF = min over successors s of (ES_s − lag) − EF
//
// # The network in somebody's days
//
// A Step has work that is done by hand and then a wait that runs day and night
// (creep, drying, a parcel under way). Work lies within the Free spans, in one piece,
// or cut only by the ends of free spans where the step may be split. There is one pair
// of hands, so no two works overlap, and a work that is split lets no other in
// between. A step may be bound to spans (Within: when its tools can be had), keep things
// that nobody else may use meanwhile (Uses), and must not begin before NotBefore.
//
// Finding the earliest finish is resource-constrained scheduling, which is NP-hard
// (Blazewicz, Lenstra, Rinnooy Kan, "Scheduling subject to resource constraints",
// Discrete Applied Mathematics 5, 1983). The package therefore follows a rule:
//
//   - Steps are placed one after another, each at its earliest moment, of those whose
//     predecessors are placed the most urgent first (serial schedule generation). What has
//     to follow a wait that must not overstay goes before everything else.
//   - The most urgent is whatever has the longest way to the end behind it: the rule of the
//     latest finish. It is tried with work counted as it stands and with work
//     stretched by how rarely the hands are free; then the most followers first, then
//     the greatest sum of work behind it, and then the order of the list.
//   - Each plan so found is pushed against its finish and back again (justification:
//     Valls, Ballestín, Quintanilla, European Journal of Operational Research 165, 2005,
//     pp. 375-386), which never makes it longer.
//   - The plan with the least overstaying, then the earliest finish, is taken; the
//     earlier rule where they are equal.
//
// So equal problems have equal plans. What the rule loses against the best of all
// orders is measured in the tests (TestGapToTheBestOrder).
//
// Backward plans towards a moment by which all must be done: each step as late as
// it can be, by the same rule in mirrored time, or by pushing the forward plan to the right,
// whichever begins later.
//
// # Slack in somebody's days
//
// Latest keeps the order of the works and pushes every step as late as the
// finish allows. The difference to the plan is a step's slack: it may begin so much later, if those
// behind it move along. It is exact for the order of the plan; another order might
// allow more.
//
// # What it does not do
//
// It knows no second pair of hands, no chances (durations are what they are said to be)
// and no cost. A wait that overstays (Most) is avoided where a later beginning avoids
// it; else it is told by Plan.Overstay, since a plan that says so is of more use than none.
package criticalpath
