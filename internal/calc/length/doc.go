// Package length keeps lengths exactly, from the digits a person typed to the
// nanometre the calculations use.
//
// # The three things called a length
//
// A Length is a whole number of nanometres. The inch is 25.4 mm by definition
// (the international inch of 1959, ISO 31-1), so one inch is exactly
// 25 400 000 nm and one thou (a thousandth of an inch, "mil" elsewhere) exactly
// 25 400 nm. Adding and subtracting lengths is therefore exact.
//
// A Unit is what a person reads off the instrument: mm, um, in or thou. Each
// has a code in UCUM, the unified code for units of measure, so that other
// software can name it without guessing.
//
// A Quantity is a value as it was entered: the decimal digits, trailing zeros
// included ("9.120" says something about the instrument that "9.12" does not),
// the unit, and the Length they mean. Decimals never pass through a binary
// floating point number.
//
// # Rounding
//
// Digits finer than a nanometre are kept in the Quantity, while its Length is
// rounded to the nearest nanometre, halves to the even one. Exact tells whether
// that happened. Nothing in a garage measures such digits; refusing them would
// only turn away an honest conversion such as 0.31496063 in.
//
// # Bounds
//
// Values beyond ten metres, with more than 18 significant digits, more than 18
// decimal places or an exponent beyond 18 are refused with ErrRange or
// ErrDigits before any arithmetic is done on them, so a hostile "1e999999"
// costs nothing.
//
// # What it does not do
//
// It knows nothing of temperature (a length here is the length as stated) nor
// of uncertainty, other than printing the one it is given in Length.TextWithUncertainty.
package length
