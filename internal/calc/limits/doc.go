// Package limits gives the limits of size of standard holes and shafts and
// what happens when two of them meet.
//
// # How a fit symbol reads
//
// In "H7/g6" the capital letter and number name the hole, the small one the
// shaft. The letter places the tolerance zone relative to the nominal size: H
// begins at the nominal size and goes up, h begins there and goes down, letters
// before them leave room, letters after them take it away. The number is the
// tolerance grade: how wide the zone is. Both depend on the nominal size in steps;
// a step runs over its first size up to and including its second, so a 30 mm
// shaft belongs to the step 18 to 30 and a 30.001 mm shaft to the next.
//
// Deviations are what is added to the nominal size to get a limit. From the
// limits of both follow the least and the greatest clearance (hole minus
// shaft), and from those the kind of fit: clearance (never below zero),
// interference (never above zero), transition (either, as the parts fall).
// A negative clearance is an interference.
//
// # Metric: ISO 286
//
// Hole, Shaft and Grade answer for sizes from 1 to 50 mm, for the classes
// in common use (HoleClasses, ShaftClasses) and grades IT1 to IT12. The rows
// were compared between independent transcriptions of the tables of ISO 286-1
// and 286-2; the column copies_agreeing of the embedded tables counts how many
// give the row, copies_differing how many give another value. Where they differ, the
// value kept is the one that obeys the standard's own rule for the letters K to
// S (the hole's upper deviation is minus the shaft's lower one plus the
// difference of the grades). Symmetrical zones (JS, js) keep half micrometres;
// the 1988 edition let odd grades be rounded to even ones first, so printed
// tables may show 7 where this package has 7.5.
//
// # Inch: ASME B4.1
//
// InchFit answers for the classes of ANSI/ASME B4.1-1967: running and sliding
// fits RC, clearance and transition locational fits LC and LT, interference
// locational fits LN, force and shrink fits FN. There a class names hole and
// shaft together. Classes or sizes for which the standard has no values are
// refused, not interpolated.
//
// # What it does not do
//
// It does not say which fit a joint should have, nor whether a measured part is
// inside its limits: that needs the uncertainty of the measurement, package
// conformity.
package limits
