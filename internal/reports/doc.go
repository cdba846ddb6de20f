// Package reports adds the books up for people: a financial year, what wears tools, and the
// whole journal as a text that other programs read.
//
// It keeps nothing and rounds nothing but averages, which are told as such. Every amount
// is a sum of postings; reversals count where they are booked, so a year that is closed
// adds up to the same for good.
package reports
