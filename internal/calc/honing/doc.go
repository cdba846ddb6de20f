// Package honing says when to hone a bore instead of reaming it, and how.
//
// # Vocabulary
//
// A hone is a stone of bonded grit pressed against a turning bore's wall. Stock is what is
// taken off in diameter. The grit number counts meshes to the inch: the higher, the
// finer. Ra is the mean roughness it leaves.
//
// # When
//
// A reamer cuts by an edge, so the bore must be softer than the edge by far: high speed
// steel up to about 35 HRC, carbide up to about 50 HRC (in a machine that is stiff).
// Beyond, and where less is to be taken off than a reamer's edge can bite (it rubs
// below about 50 µm), a hone cuts. It cannot follow a new axis: it makes the hole
// that is there round and straight, and it takes long: more than about 0.15 mm is
// turned or ground first. It widens mouths where it leaves the bore by more than a third of
// its length.
//
// Never honed: sintered bushes (grit stays in their pores and laps the pin), lined bushes
// (the lining goes), soft bushes that cannot be taken out to be washed: loose grit beds
// itself in bronze and aluminium.
//
// # How
//
// Each grit must remove the scratches of the one before, about four times their Ra on
// each side, so passes are planned back from the finish: the last takes what the one
// before it left. Grits lists what is usual with aluminium oxide on steel.
//
// All numbers are common practice, no published source, from memory.
//
// # What it does not do
//
// It computes no time, pressure nor speed.
package honing
