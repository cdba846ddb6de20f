// Package reminder tells who is to be told of what: that a tool is due back or
// late, a reservation begins, is offered, in danger, moved or decided on, a choice
// is to be made, an instrument's calibration or a tool's inspection falls due.
//
// What there is to tell follows from the club's rows and a time, so that a sweep
// may run at any time, anywhere and twice: the constraint reminder_once makes
// each reminder once. It stands in the table and in the journal as reminder.due;
// whoever has an address and wants that kind gets it as a letter too.
//
// A letter goes out at most once. Claim marks it as being sent, and commits
// that, before anybody speaks to a mail server; Settle tells how that went. Only
// a letter that the server has certainly not taken goes back to those that wait.
// One of which nobody knows, because the answer to its last line never came or
// whoever sent it died, is unknown and stays so: a reminder too few is better
// than the same one twice, and it stands in the list of reminders all the same.
//
// The package decides and words; it keeps no time and speaks to no server.
package reminder
