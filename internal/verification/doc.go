// Package verification says whether a joint that was cut fits its pin, and keeps what
// went wrong.
//
// # Vocabulary
//
// A Verification is a verdict on one joint of a repair, from the readings of its running bores
// since the cut (stage reamed), the pin that is to run in them and the clearance wanted, at a
// stated risk: proved, refused or undecided (package fitproof). It is cited later, so never
// changed; with more readings there is another, and the newest counts. A Nonconformity is
// something that is not as it should be: a fit that was refused, a cut that came out
// too large, a broken reamer, a jam of chips, a torn finish. It is open until it is dealt with, and
// a repair is not signed off before (a trigger of migration 0032 holds that).
//
// # What closes a nonconformity
//
// A broken reamer, a jam and a torn finish are closed by deciding what is done. A refused fit and
// an oversize cut stay open after the decision, until the fit of what was made
// then is proved; or they are kept as they are, with a reason, which on a joint on which a life hangs is
// not offered.
//
// # Which readings count
//
// Those of stage reamed or assembled since the repair began, or since it was last
// decided to cut, bush or replace that joint again: what was read before speaks of another
// size.
//
// # What the reamer cut
//
// Where the reamer is named, the size of each bore is kept as one that it cut: package recommend
// learns from it what the reamer cuts next.
//
// # What it does not do
//
// It judges running bores only. Whether a held bore holds is shown by its press force.
package verification
