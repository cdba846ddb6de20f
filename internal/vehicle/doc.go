// Package vehicle is what is repaired: vehicles, their joints and the features
// of those, and the templates that joints are made by.
//
// # Vocabulary
//
// A joint is a pin turning in bores, at a position of a vehicle. A feature is one
// measurable cylinder of a joint: a bore or a pin. Its duty is running (it moves) or
// held (pressed, splined or knurled in). One feature of each joint is the usual
// one: a reading that names only the joint means it. A joint template says
// what joints of a kind have in common: their features, their target and what to
// beware of. A target is the clearance wanted.
//
// # What a joint has from its template
//
// Features are copied when the joint is made, with sizes of its own. Pin series
// and target are the template's until the joint is given its own; so is each thing
// that is known of the metal about the bores, of the place and of the reamer's
// guidance (Means). Form and cautions are always the template's. Templates do not change.
//
// # What it does not do
//
// It knows no readings, and of a pin series only the size of its standard pin.
package vehicle
