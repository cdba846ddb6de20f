// Package repair takes a set of joints of one vehicle through the steps of an
// edition of a procedure.
//
// # Vocabulary
//
// A repair has a number (R1, R2 …), joints, a member who leads it, a garage where it
// is done and the edition that it follows to its end. Its steps are rows: one for a
// step of the job, one for each joint otherwise. A step is begun, in rounds where it
// repeats, and finished, or left out. Beginning a round starts its timer, which is
// reckoned from when it happened, so that it tells the same on every device and after
// any restart; a sweep rings it once.
//
// What happened may be told later: every act takes the time at which it happened
// beside the time of the write.
//
// # Locks
//
// Every act locks the repair's row first, so that acts on one repair follow each other and
// what they looked at stays true until they commit.
package repair
