// Package opening is when garages are open and how long a tool travels between
// two of them: weekly hours, days on which a garage or the whole club is closed,
// and the table of travel times.
//
// A garage without hours of its own opens every day as its opens and closes say;
// one that has some is closed on the weekdays that have none. Hours that close at
// or before they open end on the next day. Things are collected from the moment
// of opening on and until just before the moment of closing, and brought back
// until that moment itself. A closure takes whole local days out of all that.
//
// Clocks are those of the garage. A time that a clock skips is read with the
// offset before the gap, and of a time that it shows twice the first is meant
// (RFC 5545, 3.3.5).
//
// The package answers twice: in Go, for a garage at hand (Place), and as text of
// SQL for many at once (Moments). A test holds one against the other.
package opening
