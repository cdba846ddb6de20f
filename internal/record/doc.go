// Package record writes down what was found, done and measured in a repair, for
// whoever opens its joints next.
//
// # Vocabulary
//
// The content of a record is plain facts: ids, codes, sizes in nanometres, times.
// It names no person (members stand in it by id) and nothing that a person might
// be named in, so that people can be erased while records stay. Its canonical form
// (RFC 8785) has a hash, and holds the hash of the record before it of the same
// vehicle: the chain.
//
// A record is made once, in the transaction that signs the repair off, and never
// changed. Before that the same content can be looked at as a draft, which has no
// place in the chain and no hash.
package record
