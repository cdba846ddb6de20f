package criticalpath_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/calc/criticalpath"
)

const (
	hour = 60
	day  = 24 * hour
)

// evenings are free from 18:00 to 21:00 of each day.
func evenings(days int64) (out []criticalpath.Span) {
	for d := range days {
		out = append(out, criticalpath.Span{From: d*day + 18*hour, Until: d*day + 21*hour})
	}
	return out
}

func after(steps ...int) (out []criticalpath.Link) {
	for _, i := range steps {
		out = append(out, criticalpath.Link{Of: i})
	}
	return out
}

// An acid bath that must be rinsed within an hour is not begun so late that the
// evening is over when it is due.
func TestNothingIsLeftInTheAcid(t *testing.T) {
	p := criticalpath.Problem{Free: evenings(10), Until: 10 * day, Steps: []criticalpath.Step{
		{Name: "strip", Work: 2*hour + 15},
		{Name: "dip", Work: 15, Wait: 30, Most: 60, After: after(0)},
		{Name: "rinse", Work: 20, After: after(1)},
	}}
	plan := must(criticalpath.Forward(p))(t)
	if plan.Overstay != 0 || plan.Steps[1].Start != day+18*hour || plan.Steps[2].Start != day+18*hour+45 {
		t.Errorf("%+v; dipped at 20:15 it could not be rinsed before the next evening", plan)
	}
	p.Free = evenings(1)
	p.Free = append(p.Free, criticalpath.Span{From: 5 * day, Until: 5*day + 20}, criticalpath.Span{From: 6 * day, Until: 6*day + 20})
	if plan = must(criticalpath.Forward(p))(t); plan.Overstay == 0 {
		t.Errorf("%+v overstays whatever is done, and does not say so", plan)
	}
}

// Of two chains the one with the longer way behind it goes first, and what waits for
// hands, hours, tools or a parcel says so.
func TestReasonsAreTold(t *testing.T) {
	p := criticalpath.Problem{Free: evenings(20), Until: 20 * day, From: 17 * hour, Steps: []criticalpath.Step{
		{Name: "sketch", Work: 30},
		{Name: "order", Work: 30, Wait: 5 * day},
		{Name: "ream", Work: 2 * hour, After: after(0, 1), Within: []criticalpath.Span{{From: 0, Until: 2 * day}, {From: 8 * day, Until: 12 * day}}},
		{Name: "press", Work: hour, After: after(2), NotBefore: 9 * day},
		{Name: "paint", Work: 3 * hour, After: after(3)},
	}}
	plan := must(criticalpath.Forward(p))(t)
	reasons := p.Reasons(plan)
	want := []criticalpath.Reason{
		{Ready: 17 * hour, ReadyBy: -1, Holder: 1, Holds: []criticalpath.Hold{{Kind: criticalpath.FreeHours, Step: -1, Until: 18 * hour}, {Kind: criticalpath.Hands, Step: 1, Until: 18*hour + 30}}},
		{Ready: 17 * hour, ReadyBy: -1, Holder: -1, Holds: []criticalpath.Hold{{Kind: criticalpath.FreeHours, Step: -1, Until: 18 * hour}}},
		{Ready: 5*day + 18*hour + 30, ReadyBy: 1, Holder: 1, Holds: []criticalpath.Hold{
			{Kind: criticalpath.Tools, Step: -1, Until: 8 * day}, {Kind: criticalpath.FreeHours, Step: -1, Until: 8*day + 18*hour}}},
		{Ready: 9 * day, ReadyBy: -1, Holder: -1, Holds: []criticalpath.Hold{{Kind: criticalpath.FreeHours, Step: -1, Until: 9*day + 18*hour}}},
		{Ready: 9*day + 19*hour, ReadyBy: 3, Holder: 3, Holds: []criticalpath.Hold{{Kind: criticalpath.FreeHours, Step: -1, Until: 10*day + 18*hour}}},
	}
	if diff := cmp.Diff(want, reasons); diff != "" {
		t.Errorf("reasons (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]int{3, 4}, p.Chain(plan, reasons)); diff != "" {
		t.Errorf("the finish hangs on (-want +got):\n%s", diff)
	}
	latest := p.Latest(plan, plan.Finish)
	if slack := latest.Steps[3].Start - plan.Steps[3].Start; slack != 2*hour {
		t.Errorf("pressing may begin %d minutes later and painting still the next evening", slack)
	}
}

func TestRefusalsSayWhatToDo(t *testing.T) {
	for _, c := range []struct {
		name string
		step criticalpath.Step
		kind criticalpath.Kind
		says string
	}{
		{"in one piece", criticalpath.Step{Name: "blast", Work: 4 * hour}, criticalpath.FreeHours, "let it be split"},
		{"no tools", criticalpath.Step{Name: "ream", Work: hour, Within: []criticalpath.Span{}}, criticalpath.Tools, "never to be had"},
		{"too much", criticalpath.Step{Name: "paint", Work: 40 * hour, Split: true}, criticalpath.Later, "free more time"},
	} {
		_, err := criticalpath.Forward(criticalpath.Problem{Free: evenings(5), Until: 5 * day, Steps: []criticalpath.Step{c.step}})
		var fit *criticalpath.FitError
		if !errors.As(err, &fit) || fit.Kind != c.kind || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	for name, p := range map[string]criticalpath.Problem{
		"free spans that overlap": {Free: []criticalpath.Span{{From: 0, Until: 5}, {From: 4, Until: 9}}},
		"nested spans of a step":  {Steps: []criticalpath.Step{{Within: []criticalpath.Span{{From: 0, Until: 9}, {From: 1, Until: 2}}}}},
		"overstays at once":       {Steps: []criticalpath.Step{{Wait: 5, Most: 4}}},
		"before time":             {From: -2 * criticalpath.Farthest},
		"work that runs back":     {Steps: []criticalpath.Step{{Work: -1}}},
		"thing of no number":      {Steps: []criticalpath.Step{{Uses: []int{-1}}}},
		"bound beyond":            {Steps: []criticalpath.Step{{NotBefore: 2 * criticalpath.Farthest}}},
	} {
		if _, err := criticalpath.Forward(p); !errors.Is(err, criticalpath.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if plan, err := criticalpath.Forward(criticalpath.Problem{From: 7}); err != nil || plan.Finish != 7 {
		t.Errorf("nothing to do: %+v, %v", plan, err)
	}
}

// A plan with a fault of each kind is found out, or Check would prove nothing.
func TestCheckFindsFaults(t *testing.T) {
	p := criticalpath.Problem{Free: evenings(10), Until: 10 * day, From: 18 * hour, Steps: []criticalpath.Step{
		{Name: "dip", Work: 30, Wait: 30, Most: hour},
		{Name: "rinse", Work: 30, After: after(0), Uses: []int{0}},
		{Name: "dry", Wait: hour, Uses: []int{0}, Through: true, After: after(1)},
		{Name: "ream", Work: hour, NotBefore: 2 * day, Within: []criticalpath.Span{{From: 2 * day, Until: 4 * day}}},
	}}
	good := must(criticalpath.Forward(p))(t)
	if err := p.Check(good); err != nil {
		t.Fatal(err)
	}
	move := func(i int, start int64) func(*criticalpath.Plan) {
		return func(plan *criticalpath.Plan) {
			plan.Steps[i] = criticalpath.Placed{Start: start, Worked: start + p.Steps[i].Work, Finish: start + p.Steps[i].Work + p.Steps[i].Wait}
		}
	}
	for name, spoil := range map[string]func(*criticalpath.Plan){
		"before the first moment":   move(0, 17*hour),
		"before its bound":          move(3, day+18*hour),
		"outside free hours":        move(3, 2*day),
		"beyond its tools":          move(3, 5*day+18*hour),
		"before its predecessor":    move(1, 18*hour),
		"two works at once":         move(3, good.Steps[1].Start),
		"thing in two hands":        move(2, good.Steps[1].Start),
		"overstays, and tells less": move(1, 2*day+19*hour),
		"too late":                  move(2, 10*day),
		"finish":                    func(plan *criticalpath.Plan) { plan.Finish-- },
		"wait cut short":            func(plan *criticalpath.Plan) { plan.Steps[0].Finish-- },
		"work cut short":            func(plan *criticalpath.Plan) { plan.Steps[3].Worked--; plan.Steps[3].Finish-- },
		"a step too few":            func(plan *criticalpath.Plan) { plan.Steps = plan.Steps[:3] },
	} {
		bad := good
		bad.Steps = append([]criticalpath.Placed{}, good.Steps...)
		spoil(&bad)
		if err := p.Check(bad); !errors.Is(err, criticalpath.ErrFit) {
			t.Errorf("%s is not found out: %v", name, err)
		}
	}
}

// FuzzPlansKeepTheRules makes problems out of bytes: whatever comes is refused or has
// a plan that Check finds nothing wrong with.
func FuzzPlansKeepTheRules(f *testing.F) {
	f.Add([]byte{3, 60, 30, 0, 1, 120, 0, 1, 2, 15, 90, 3, 4, 200, 7})
	f.Add([]byte{})
	f.Add([]byte{255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255})
	f.Fuzz(func(t *testing.T, data []byte) {
		next := func() int64 {
			if len(data) == 0 {
				return 0
			}
			b := data[0]
			data = data[1:]
			return int64(b)
		}
		p := criticalpath.Problem{From: next() - 128, Until: 30 * day, Free: evenings(20)}
		for i := range min(int(next()), 30) {
			s := criticalpath.Step{Name: "s", Work: next(), Wait: 10 * next(), NotBefore: 20 * (next() - 100), Split: next()%2 == 0}
			if most := next(); most > 200 {
				s.Most = 40 * most
			}
			for range next() % 4 {
				s.After = append(s.After, criticalpath.Link{Of: int(next()%int64(i+1)) + int(next()/250), Lag: next() - 3})
			}
			if has := next(); has > 200 {
				s.Within = []criticalpath.Span{{From: 0, Until: 10 * next()}, {From: 40 * next(), Until: 100 * next()}}
			} else if has > 150 {
				s.Uses, s.Through = []int{int(next() - 1)}, true
			}
			p.Steps = append(p.Steps, s)
		}
		plan, err := criticalpath.Forward(p)
		if err == nil {
			err = p.Check(plan)
			if err != nil {
				t.Fatal(err)
			}
			p.Chain(plan, p.Reasons(plan))
			if err := p.Check(p.Latest(plan, plan.Finish)); err != nil {
				t.Fatal(err)
			}
			if _, err := criticalpath.Backward(p, plan.Finish+100); err != nil {
				t.Fatal(err)
			}
		} else if plan.Steps != nil {
			t.Fatalf("an error, %v, with a plan", err)
		}
	})
}
