// Package cutting learns what size each reamer of a club cuts, and how long it still will, from all
// that the club knows of it.
//
// # Vocabulary
//
// An event of a reamer is a bore that it cut and whose size a verification told (a cut), a hole cut to
// find out (a check cut), its size over the edges (a cutter reading), or a renewal: sharpened, adjusted,
// replaced. A renewal begins a new life. The travel is the sum of the depths cut, each times
// the severity of its material and lubricant; holes that nobody verified count for travel too.
//
// # What is learned
//
// Package reamerwear holds the law; this one fills it, life by life. Before anything was seen a reamer is taken
// to cut its marked size, give or take what reamers do. After a sharpening it is taken to cut as it did at
// its last, with a doubt as of a new one, since sharpening the chamfer does not restore the size; after an
// adjustment its marked size again, with the doubt of setting it; replaced, it is a new one.
// A cutter reading tells of the size too, with the doubt of what such a reamer cuts over its edges; so does a hole
// cut under another guidance than the one that is asked for. The rate's prior goes by what the reamer is made of.
//
// # One source
//
// Recommendations, the choice of a tool for a reservation, the answer about one reamer and the replacement fund all
// ask this package, so that they rest on the very same law.
//
// # What it does not do
//
// It decides nothing and writes nothing: verifications, uses, checks and renewals are recorded elsewhere, and an answer is worked
// out anew from them whenever it is asked for.
package cutting
