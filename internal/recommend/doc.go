// Package recommend answers "what do I do with these joints?" from what a club
// knows of them: it gathers readings, instruments, series and tools into the
// inputs of the pure engine (wornsize, choice), runs it, and keeps the answers.
//
// Inputs are a snapshot: every row that an answer rests on, in a stated order,
// with a digest. Equal inputs give equal answers, byte for byte; an answer is
// kept and never changed.
//
// What the rows leave open is filled in and said: every default that was used
// stands among Assumed with a code, its numbers and a sentence. The defaults of
// this package are common practice, no published source.
//
// It renders nothing and knows no units but micrometres and minor units of
// money; package api does that at the edge.
package recommend

// Engine is the version of the engine that answers name. It changes whenever
// equal inputs may give another answer.
const Engine = "pinwright-engine/3"
