// Package bank reads what a bank tells of the club's account and finds which
// member each movement may be of.
//
// # Vocabulary
//
// A file is a sheet of Movements, one a row. How its numbers and days are written is
// told with it and never guessed, since 1.234 and 3.4. mean different things in
// different places. A Row is a movement that was kept, with what became of it: it is
// open until somebody decides what it is.
//
// # Nothing twice
//
// A movement's digest is made of all that it tells and of the how manyth of its kind
// in its file it is: two payments of equal amount, day, name and reference are two,
// and the same file again, or a longer one that overlaps it, brings none twice. The table
// holds the digest once a club.
//
// # Proposals
//
// Propose says of which member a movement may be, and because of what; it books
// nothing. A person does.
package bank
