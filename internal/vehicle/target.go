package vehicle

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/problem"
)

// Target is the clearance wanted between running bore and pin, in one of three
// forms: limits, a fit symbol, or the trade's thousandth. The zero Target is
// none.
type Target struct {
	MinNM      *int64 `json:"clearance_min_nm"` // both or none; negative is interference
	MaxNM      *int64 `json:"clearance_max_nm"`
	Fit        string `json:"fit"` // ISO 286, "H7/g6", or a class of ASME B4.1, "RC4"
	Thousandth bool   `json:"thousandth"`
}

// targetColumn makes a Target of the table's columns.
func targetColumn(table, name string) string {
	return strings.ReplaceAll(`json_build_object('clearance_min_nm', T.clearance_min_nm, 'clearance_max_nm', T.clearance_max_nm, 'fit', T.fit, 'thousandth', T.thousandth) as `, "T.", table+".") + name
}

// Clearance is a closed range of clearances; negative is interference.
type Clearance struct{ Min, Max length.Length }

// AboutAThousandth is the band meant by "reamer one thousandth over the pin":
// 0.001 in, give or take half of it, which is what reamers and ground pins scatter.
// Common practice, no published source.
var AboutAThousandth = Clearance{Min: length.Inch.Length() / 2000, Max: 3 * length.Inch.Length() / 2000}

// ErrNominalUnknown is Resolve's answer for a fit symbol at an unknown size.
var ErrNominalUnknown = errors.New("a fit symbol says nothing without a nominal size; set the joint's nominal size")

// IsZero reports whether there is no target.
func (t Target) IsZero() bool { return t == Target{} }

// Resolve returns the clearance wanted at a nominal size in nanometres; only a
// fit symbol needs it. Sources: ISO 286-1 and -2, ASME B4.1 (package limits).
// Errors are ErrNominalUnknown and those of package limits.
func (t Target) Resolve(nominal *int64) (Clearance, error) {
	switch {
	case t.Thousandth:
		return AboutAThousandth, nil
	case t.MinNM != nil && t.MaxNM != nil:
		return Clearance{length.Length(*t.MinNM), length.Length(*t.MaxNM)}, nil
	case t.Fit == "":
		return Clearance{}, errors.New("vehicle: no target")
	case nominal == nil:
		return Clearance{}, ErrNominalUnknown
	}
	pair, err := fitAt(t.Fit, length.Length(*nominal))
	return Clearance{pair.LeastClearance, pair.GreatestClearance}, err
}

func isMetric(symbol string) bool { return strings.Contains(symbol, "/") }

func fitAt(symbol string, nominal length.Length) (limits.Pair, error) {
	if !isMetric(symbol) {
		return limits.InchFit(symbol, nominal)
	}
	fit, err := limits.ParseFit(symbol)
	if err != nil {
		return limits.Pair{}, err
	}
	return fit.At(nominal)
}

// checkSymbol reports a symbol that no size could make sense of.
func checkSymbol(symbol string) error {
	if isMetric(symbol) {
		_, err := limits.ParseFit(symbol)
		return err
	}
	if known := limits.InchClasses(); !slices.Contains(known, symbol) {
		return fmt.Errorf("no fit %q; use an ISO fit such as H7/g6, or one of the inch fits %s", symbol, strings.Join(known, ", "))
	}
	return nil
}

// Check reports what is wrong with t, which is written at the pointer at;
// nominal is the size it is for, nil when not known.
func (t Target) Check(at string, nominal *int64) []problem.Fault {
	forms := 0
	for _, given := range []bool{t.MinNM != nil || t.MaxNM != nil, t.Fit != "", t.Thousandth} {
		if given {
			forms++
		}
	}
	if forms != 1 {
		return []problem.Fault{{Pointer: at, Detail: "give exactly one of: clearance_min with clearance_max, fit, or thousandth: true"}}
	}
	switch {
	case t.Thousandth:
	case t.Fit != "":
		err := checkSymbol(t.Fit)
		if err == nil && nominal != nil {
			_, err = t.Resolve(nominal)
		}
		if err != nil {
			return []problem.Fault{{Pointer: at + "/fit", Detail: err.Error()}}
		}
	case t.MinNM == nil:
		return []problem.Fault{{Pointer: at + "/clearance_min", Detail: "is needed beside clearance_max"}}
	case t.MaxNM == nil:
		return []problem.Fault{{Pointer: at + "/clearance_max", Detail: "is needed beside clearance_min"}}
	case *t.MinNM >= *t.MaxNM:
		return []problem.Fault{{Pointer: at + "/clearance_max", Detail: "must be larger than clearance_min, or no pin and bore could ever meet it"}}
	}
	return nil
}

// Text says the target for people, in unit u.
func (t Target) Text(nominal *int64, u length.Unit) string {
	c, err := t.Resolve(nominal)
	switch {
	case t.IsZero():
		return ""
	case errors.Is(err, ErrNominalUnknown):
		return t.Fit + "; its clearance depends on the nominal size, which is not known yet"
	case err != nil:
		return t.Fit + ": " + err.Error()
	}
	text := c.Min.Decimal(u) + " to " + c.Max.Text(u)
	switch {
	case t.Thousandth:
		return text + " (about one thousandth of an inch over the pin; common practice, no published source)"
	case t.Fit != "" && isMetric(t.Fit):
		return fmt.Sprintf("%s (%s at %s, ISO 286)", text, t.Fit, length.Length(*nominal).Text(u))
	case t.Fit != "":
		return fmt.Sprintf("%s (%s at %s, ASME B4.1)", text, t.Fit, length.Length(*nominal).Text(u))
	}
	return text
}
