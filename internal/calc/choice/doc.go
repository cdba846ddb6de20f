// Package choice decides what to do with a set of worn joints of one vehicle:
// which pins, which reamers, in what order, with what odds, and which reading
// would help most before metal is cut.
//
// # Words
//
// A joint is one pin turning in its running bores; some joints also press the
// pin into held bores. A Series is the ladder of pin sizes on offer, each Step
// with the reamer that belongs to it. What is left of the bores comes as a
// wornsize.Posterior: for each bore the law of its passing size S (the largest
// cylinder that goes through) and of its clean-up size L (what a reamer must
// reach to cut everywhere), at each node of the errors that readings share.
// All lengths are micrometres of diameter from one nominal size; a wall is in
// micrometres of thickness; money is in minor units of one currency.
//
// # From sizes to odds
//
// A reamer cuts C = diameter + overcut + e + h. The error e belongs to the
// reamer and its guidance and is the same in every hole of the set; h is the
// scatter from hole to hole. A new pin's diameter is rectangular on its
// tolerance (JCGM 100:2008, 4.3.7). One pin fits all running bores of its
// joint, one reamer serves many joints, one instrument measured many bores: so
// the probability that a cut cleans up and leaves the clearance asked for is
//
//	sum over nodes, e, pin of weight * product over bores of
//	    P(C >= L and low <= C - pin <= high)
//
// with equally spaced nodes for e and Gauss-Legendre nodes for the pin, and
// the probability for a set is the same sum with the product taken over joints.
// For bores that are not cut the tightest clearance is S - pin and the
// greatest local clearance L - pin; only their separate laws are known, so the
// least probability that both are within limits (Frechet's bound) is served.
// L counts rust and the reach of a guided reamer as metal gone: the answer for
// an uncut bore errs towards cutting, never towards play.
//
// # What else a cut needs
//
// Guidance decides how far the cut's axis lies from a section's centre: 0 when
// the reamer floats, half the ovality and the error of pilot, jig or leaves when
// it is held. It is in the clean-up sizes that the caller hands in. Stock comes
// off in one pass, or in two where a bore may leave more than the reamer takes:
// then with a smaller reamer of the ladder first, else a drill or bar. Hardened
// bores are honed, to the pin in hand. A bush that closes in as it is pressed is
// finished in place, and the law of that cut counts. A held bore is never cut to
// the running size: it keeps its size or has a smaller reamer of its own.
//
// # From odds to a choice
//
// Every option of a joint has one expected loss in money (see Losses): pins,
// wear, labour, waiting, steps of the ladder spent and, when it fails, the
// cost of the best way out. A plan takes one option for each joint; its loss
// adds the tools once each and the waiting of its slowest joint once. The plan
// with the least loss is taken among those that keep the stated risk (JCGM
// 106:2012, 8: acceptance by probability of conformity), both for each joint
// and for the set. Then the status is Decided. A joint of which no option keeps
// the risk takes among those that come within the risk of the likeliest, and
// the one of least loss unless it is refused; the plan is Provisional then, as
// it is when only the risk of the set cannot be kept. A bush or a new part stays open after a
// failed cut, so it displaces a cut only when its expected loss is smaller,
// not for being safer.
//
// Uniform puts one size everywhere; LeastMetal takes the smallest greatest
// step, then the least sum of steps, then the least loss; Cheapest takes the
// least expected loss. All three are always answered. The search is exact:
// subsets of reamers and limits of waiting are enumerated, within them the
// joints' losses add, and the risk of the set is kept by branch and bound.
//
// # The next reading
//
// NextReadings tries readings that could still be taken. For each possible
// outcome the set is estimated anew, weighted with its predictive probability.
// The gain is the expected loss of today's least-loss plan minus that of the
// plan one would take knowing the outcome: zero when no outcome would change
// the plan, and never negative, because both are averaged over the same
// outcomes. A reading that only turns hope into proof has a price too
// (Losses.Unproved), reported apart. All candidates are screened with the bore
// taken by itself; the few that are served are worked out with the errors the
// bore shares. Nearly all the time goes into estimates: see Search for the bounds.
//
// # What it does not do
//
// It allows no uncut patch: a bore has cleaned up when all of it is cut. The
// errors of different reamers are independent; those of held reamers, and of
// both reamers of a look, are averaged within a joint.
//
// It reads no database, knows no calendar and no names of tools; it does not
// estimate sizes (wornsize), nor the force of a press fit, nor does it
// resolve fit symbols: the caller gives limits of clearance. Where a joint
// steers, brakes or holds a seat its answer is advice for a licensed
// inspection, and saying so is the caller's duty.
package choice
