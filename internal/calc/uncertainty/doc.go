// Package uncertainty says how sure one reading is: a budget by JCGM 100 (the
// GUM), and on it a model of measuring a bore or a pin in a garage.
//
// # The budget
//
// A result depends on inputs. Each Input has an estimate, a standard uncertainty u (one
// standard deviation), a sensitivity c (by how much the result moves per unit of
// the input) and degrees of freedom (how well u itself is known; infinite for a stated
// bound). Combine gives
//
//   - the combined standard uncertainty, the root of the sum of (c u)² (JCGM 100, 5.1.2);
//   - the effective degrees of freedom by the Welch-Satterthwaite formula (G.4.1);
//   - the coverage factor k from Student's t for those degrees of freedom,
//     truncated to the next lower whole number (G.4.1, note 1) but at least 1;
//   - the expanded uncertainty U = k u and one Line per input.
//
// # One reading of a diameter
//
// Measure builds the budget of a reading: calibration, what drifted since,
// repeatability, the difference between people, resolution and temperature, with the length
// corrected to 20 °C (ISO 1); AtTwenty does the last alone. It keeps two parts apart, because they behave differently when readings
// are combined (JCGM 100, 5.2):
//
//   - Shared effects are the same in every reading taken with one instrument in one
//     sitting: its calibration, the temperature, the habits of the person. Ten readings do
//     not make them smaller.
//   - Independent effects are new each time: repeatability and resolution. They
//     average out.
//
// A third part is neither. Poor methods are not only noisy but biased, always to the
// same side. Each method has bounds for reading minus true size; how they come about
// is told at Defaults. They are kept as bounds for calculations on many readings, and in
// the budget of one reading appear as a correction by the middle with its own line.
//
// # What nobody told
//
// Whoever posts a reading in a garage cannot know most of this. Everything left out is
// filled in and listed in Assumed with a code, the numbers and a sentence. The defaults
// are common practice, no published source, unless said otherwise. Uncertainties that
// are judged rather than known have 8 degrees of freedom, which is what JCGM 100, G.4.2,
// gives for a u that is itself known to about a quarter.
//
// # Gauges
//
// A pin gauge is not read, it goes or does not. SizeOfGauge tells what size a gauge of a
// class may have: a gauge of plus class lies anywhere between its marked size g and g + T,
// of minus class between g - T and g, T by ASME B89.1.5.
//
// Uncertainties, bounds and corrections are in micrometres of diameter unless said
// otherwise; sizes are exact lengths.
//
// # What it does not do
//
// It learns nothing from an instrument's history: packages gaugestudy, attributestudy and
// drift do, and Study, Feel and Calibration carry it here. It does not combine readings (package wornsize does) nor decide anything (package
// conformity does). Inputs of a budget are taken as uncorrelated: choose them so.
package uncertainty
