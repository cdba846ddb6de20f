// Package ledger keeps the club's books: double entry in whole minor units of
// the club's currency, never changed, corrected by reversal only.
//
// People say what happened: a member paid, something was bought, a deposit was taken. An
// Intent is that, and knows which accounts it moves and on which side, so that nobody has to. What
// must hold whatever is asked at once (entries balance, days that are closed
// stay so, an entry is reversed once, no more deposit goes back than was taken)
// is held by constraints of the database; the journal's digest of each entry
// shows whether a row was tampered with (Verify).
package ledger
