package choice

import (
	"testing"
)

func TestDump(t *testing.T) {
	s := 0.0
	for _, w := range hermiteW {
		s += w
	}
	t.Log("hermite sum", s, hermiteX)
	l := bore(inch(0.3181), inch(0.3205), 12)
	p := problem(single(l, l, l, l), hinge("a", 0), hinge("b", 1), hinge("c", 2), hinge("d", 3))
	a, err := Decide(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range a.Options[0] {
		t.Logf("%s %d-%d open %v CU %.4f IT %.4f S %.4f loss %.0f (%+v) way %+v", o.Kind, o.Step, o.Last, o.Open, o.CleanUp, o.InTarget, o.Success, o.Loss.Total(), o.Loss, o.WayOut)
		for _, r := range o.Reasons {
			t.Log("     ", r.Code, r.Text)
		}
	}
	for _, p := range a.Plans {
		t.Logf("%+v", p)
	}
}
