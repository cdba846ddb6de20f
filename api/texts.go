package api

import (
	"errors"
	"math"
	"strconv"
	"strings"

	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// textOut is a remark of a calculation as the contract shows it.
func textOut(r uncertainty.Remark) Text {
	out := Text{Code: r.Code, Text: r.Text}
	if len(r.Params) > 0 {
		params := map[string]any{}
		for _, p := range r.Params {
			params[p.Name] = significant(p.Value)
		}
		out.Params = &params
	}
	return out
}

// textsOut shows remarks, each once, in their order; never nil, since the
// contract's lists are empty rather than null.
func textsOut(remarks []uncertainty.Remark) []Text {
	out := make([]Text, 0, len(remarks))
	said := map[string]bool{}
	for _, r := range remarks {
		if !said[r.Text] {
			said[r.Text] = true
			out = append(out, textOut(r))
		}
	}
	return out
}

// significant rounds a computed number to six significant digits: more than any
// input of these calculations has, and the same bytes on every machine.
func significant(x float64) float64 {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return x
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	if err != nil { // rounding up left the range of a float64
		return x
	}
	return rounded
}

// faultOf is a calculation's error as a fault at the field that can mend it. The
// sentinel that err wraps names its kind and is left off: the pointer says where.
func faultOf(pointer string, err error) problem.Fault {
	text := err.Error()
	for e := err; e != nil; e = errors.Unwrap(e) {
		if inner := errors.Unwrap(e); inner != nil {
			text = strings.TrimPrefix(text, inner.Error()+": ")
		}
	}
	return problem.Fault{Pointer: pointer, Detail: text}
}
