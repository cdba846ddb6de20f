// Package use keeps what tools did, what checks said of their size, and when a life of theirs
// began anew.
//
// # Vocabulary
//
// A Use is work that a tool did: so many holes, pulls, pressings or measurements, where known of
// which loan, repair, joint and feature. A Check is a reamer's size as it was found: of a hole that
// was cut to find out, or over its own edges. A Renewal begins a new life: what the tool did before
// says nothing of what it cuts now.
//
// # What holds
//
// A use on a loan is of a loan of that very tool (a foreign key) and of a moment at which that loan
// had it; the loan is locked meanwhile, so that it cannot be undone beside a use (a trigger of
// migration 0037). Of one loan one use counts for each feature and kind of work (a unique index), so
// that a return and a phone that sends late cannot count a hole twice. Nothing is changed or
// deleted; what is wrong is voided with a reason.
//
// # What it does not do
//
// What a use wears off and what it costs is for later packages, which read the tables.
package use
