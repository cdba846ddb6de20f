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
// Hole, Shaft and Grade answer for sizes from 1 to 50 mm, for every letter of the
// standard that has a value there and grades IT1 to IT12. Each class is worked
// out from two tables of ISO 286-1, the grades (it_grades.csv) and the fundamental
// deviations (deviations.csv), by the standard's own rules:
//
//   - shafts a to h end at the letter's deviation (es), m to zc begin at it (ei),
//     in every grade; holes A to H are their mirror images;
//   - js and JS lie half to either side. Half micrometres are kept; the 1988
//     edition let odd grades be rounded to even ones first, so print may show 7
//     where this package has 7.5;
//   - k has a deviation in IT4 to IT7, in all other grades it begins at zero;
//   - holes K, M, N up to IT8 and P to ZC up to IT7 end at ES = -ei + delta with
//     delta = ITn - IT(n-1) over 3 mm (from IT3 on) and 0 up to 3 mm, so that
//     H7/p6 and P7/h6 leave the same room;
//   - in coarser grades they end at -ei, but N at zero, and K has no value, over
//     3 mm;
//   - j and J follow no rule: j5, j6, J6, J7 and J8 are listed.
//
// Some letters exist at some sizes only (cd, ef, fg up to 10 mm; t from over 24,
// v 14, y 18 mm on; a, b and N above IT8 from over 1 mm): elsewhere they are
// refused. j7 and j8 are refused, since no two copies agreed.
//
// The classes in common use also stand, row by row, in iso286.csv (Printed), and
// every row is what the rules give. Its column copies_agreeing counts how many
// independent transcriptions of ISO 286-2 give the row, copies_differing how many
// give another value; the values kept obey the rules. deviations.csv names the
// printed copies behind each deviation; "handbook 6a" is Machinery's Handbook, 31st
// edition, table 6a (after BS 4500:1969), "textbook 15.2" the table of that number
// of a textbook of machine drawing, "EN table" a copy of the table for holes N to
// ZC of EN ISO 286-1.
//
// # Fits
//
// ParseFit takes any hole with any shaft; At says what they do to each other.
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
