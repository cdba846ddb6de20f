// Package tariff is what lending costs: the club's rules and each model's costs in
// editions that stay, quotes before a loan, and the charge after it.
//
// What wears a tool is charged by units of production (calc/production): a tool's
// position is what was charged of its life so far, told from the charges that stand,
// so that no counter can go wrong. A charge is booked in the ledger, one entry for each
// reason, once for each loan; one that was wrong is corrected by another that names it,
// reverses what was booked and books anew. Each keeps every number that went into it,
// from which the words are made again.
//
// A loan is charged by the editions that were valid when it began: nobody pays by
// rules that were made after they borrowed. Days of lateness are those of the garage's
// calendar.
package tariff
