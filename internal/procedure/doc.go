// Package procedure is how joints of a kind are repaired: networks of steps that
// a club edits, and those that every club begins with.
//
// # Vocabulary
//
// A procedure has editions. An edition is its steps at one time and is never
// changed; an edit makes the next one. Who works by an edition names it, so that
// nothing moves under their hands.
//
// A step is done once for the job or once for each joint. It says what to do, what
// to beware of, which tools and consumables it takes, how long hands are on it, what
// has to wait afterwards or be repeated, what must have been measured before it may
// close, and who may close it. Steps name the steps that they come after; a joint's
// step waits for the same joint's, one of the job for those of all joints.
//
// # What it does not do
//
// It knows no vehicle, no repair and no clock: package repair takes joints through
// an edition.
package procedure
