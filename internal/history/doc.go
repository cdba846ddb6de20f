// Package history carries a vehicle's whole history from one club to another.
//
// # Vocabulary
//
// A Document is everything that a club knows of a vehicle, as a text that stands by
// itself: the vehicle, its joints, what was read of them, done to them and driven,
// and the signed records of its repairs. It consists of rows, each with its digest;
// the hash of the document is of its digests (Document says how). A consent is the
// owner's leave to give it out.
//
// # Least data
//
// A document names no member and repeats nothing that a member wrote: no note,
// reason or caption. Who read, and with which instrument, is a key that is made of
// the vehicle's id and theirs, so that readings by the same hand can be told and
// nothing more. Records are the exception: members' ids stand in them, and their
// hashes rest on that. Pictures stay behind; that there is one, and its hash, goes
// along.
//
// # Ids
//
// Everything keeps its id in the other club: ids are unique there by the club and
// the id. So what comes twice is there once, and what a record cites is found.
// Beside the rows that are made of a document its own rows are kept as they came,
// and are given out again as they came: a history that was passed on says the same.
package history
