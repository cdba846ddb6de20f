package pinseries_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/pinseries"
)

func nm(v int64) *int64 { return &v }

func TestSeriesFaults(t *testing.T) {
	t.Parallel()
	standard := pinseries.Step{Code: "standard", PinNM: 8_000_000}
	over := func(change func(*pinseries.Step)) []pinseries.Step {
		s := pinseries.Step{Code: "over-1", PinNM: 8_100_000, ReamerNM: nm(8_120_000)}
		change(&s)
		return []pinseries.Step{standard, s}
	}
	for _, row := range []struct {
		name  string
		steps []pinseries.Step
		want  []string
	}{
		{"a standard pin alone needs no reamer", []pinseries.Step{standard}, nil},
		{"an oversize with its reamer", over(func(*pinseries.Step) {}), nil},
		{"an oversize without reamer", over(func(s *pinseries.Step) { s.ReamerNM = nil }), []string{"/steps/1/reamer"}},
		{"a reamer as large as its pin", over(func(s *pinseries.Step) { s.ReamerNM = nm(8_100_000) }), []string{"/steps/1/reamer"}},
		{"an oversize no larger than the standard", over(func(s *pinseries.Step) { s.PinNM = 8_000_000 }), []string{"/steps/1/pin"}},
		{"a code twice", over(func(s *pinseries.Step) { s.Code = "standard" }), []string{"/steps/1/code"}},
		{"tolerances the wrong way round", over(func(s *pinseries.Step) { s.ToleranceLowerNM, s.ToleranceUpperNM = 5, -5 }), []string{"/steps/1/pin_tolerance_lower"}},
		{"a tolerance beyond reason", over(func(s *pinseries.Step) { s.ToleranceUpperNM = 2_000_000 }), []string{"/steps/1/pin_tolerance_upper"}},
		{"a pin without size, and every other fault at once", []pinseries.Step{{Code: "standard"}, {Code: "standard", PinNM: 5}}, []string{"/steps/0/pin", "/steps/1/code", "/steps/1/reamer"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			var at []string
			for _, f := range (pinseries.Series{Steps: row.steps}).Check() {
				at = append(at, f.Pointer)
			}
			if diff := cmp.Diff(row.want, at); diff != "" {
				t.Error(diff)
			}
		})
	}
}
