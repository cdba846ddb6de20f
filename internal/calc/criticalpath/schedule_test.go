package criticalpath_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/criticalpath"
)

// drawProblem draws steps with everything that a step may have, within days of which
// some hours are free. plain leaves out what makes a later beginning better than an
// earlier one: waits that overstay.
func drawProblem(t *rapid.T, most int, plain bool) criticalpath.Problem {
	p := criticalpath.Problem{From: rapid.Int64Range(-5, 5).Draw(t, "from"), Until: 4000}
	at := int64(-10)
	for range 160 {
		at += rapid.Int64Range(1, 12).Draw(t, "gap")
		until := at + rapid.Int64Range(2, 9).Draw(t, "free")
		p.Free = append(p.Free, criticalpath.Span{From: at, Until: until})
		at = until
	}
	p.Free = append(p.Free, criticalpath.Span{From: at + 1, Until: at + 100}) // so that whatever is long fits at the end
	for _, a := range drawNetwork(t, most) {
		s := criticalpath.Step{Name: a.Name, After: a.After, Work: rapid.Int64Range(0, 6).Draw(t, "work"), Split: rapid.Bool().Draw(t, "split")}
		if rapid.IntRange(0, 1).Draw(t, "waits") == 0 {
			s.Wait = rapid.Int64Range(0, 15).Draw(t, "wait")
			if !plain && rapid.IntRange(0, 1).Draw(t, "overstays") == 0 {
				s.Most = s.Wait + rapid.Int64Range(1, 6).Draw(t, "most")
			}
		}
		if rapid.IntRange(0, 3).Draw(t, "bound") == 0 {
			s.NotBefore = rapid.Int64Range(-5, 40).Draw(t, "not before")
		} else {
			s.NotBefore = -10
		}
		if rapid.IntRange(0, 3).Draw(t, "has tools") == 0 {
			from, until := int64(-20), int64(-10)
			for range 30 {
				from += rapid.Int64Range(1, 20).Draw(t, "tools from")
				until = max(until+1, from+rapid.Int64Range(10, 30).Draw(t, "tools until"))
				s.Within = append(s.Within, criticalpath.Span{From: from, Until: until})
			}
			s.Within = append(s.Within, criticalpath.Span{From: from + 1, Until: 4000})
		}
		if rapid.IntRange(0, 2).Draw(t, "uses") == 0 {
			s.Uses = []int{rapid.IntRange(0, 1).Draw(t, "thing")}
			s.Through = rapid.Bool().Draw(t, "through")
		}
		p.Steps = append(p.Steps, s)
	}
	return p
}

func must[T any](v T, err error) func(t interface {
	Helper()
	Fatal(...any)
}) T {
	return func(t interface {
		Helper()
		Fatal(...any)
	}) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestPlansKeepEveryRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawProblem(t, 12, false)
		plan := must(criticalpath.Forward(p))(t)
		if err := p.Check(plan); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(plan, must(criticalpath.Forward(p))(t)); diff != "" {
			t.Fatalf("the same problem has two plans:\n%s", diff)
		}
		by := plan.Finish + rapid.Int64Range(0, 60).Draw(t, "later")
		back := must(criticalpath.Backward(p, by))(t)
		if err := p.Check(back); err != nil {
			t.Fatal(err)
		}
		if back.Finish > by || back.Overstay > plan.Overstay {
			t.Fatalf("planned backward from %d it ends at %d, overstays %d where %d would do", by, back.Finish, back.Overstay, plan.Overstay)
		}
		var late *criticalpath.LateError
		if _, err := criticalpath.Backward(p, plan.Finish-1); !errors.As(err, &late) || late.Earliest.Finish != plan.Finish {
			t.Fatalf("by a moment before the earliest finish: %v", err)
		}
	})
}

// Work that is moved to its latest start leaves the rest a plan, and a step of the
// chain that the finish hangs on has no slack unless things of others or its
// tools' spans decided.
func TestSlackIsTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawProblem(t, 10, true)
		plan := must(criticalpath.Forward(p))(t)
		latest := p.Latest(plan, plan.Finish)
		if err := p.Check(latest); err != nil {
			t.Fatal(err)
		}
		reasons := p.Reasons(plan)
		chain := p.Chain(plan, reasons)
		for i, s := range latest.Steps {
			if s.Start < plan.Steps[i].Start {
				t.Fatalf("%s may begin at %d at the latest, and is planned at %d", p.Steps[i].Name, s.Start, plan.Steps[i].Start)
			}
		}
		if last := chain[len(chain)-1]; plan.Steps[last].Finish != plan.Finish || latest.Steps[last].Finish < plan.Steps[last].Finish {
			t.Fatalf("the chain ends with %s", p.Steps[last].Name)
		}
		for k, i := range chain {
			if k > 0 && plan.Steps[chain[k-1]].Start > plan.Steps[i].Start {
				t.Fatalf("the chain goes back in time at %s", p.Steps[i].Name)
			}
		}
		for i, r := range reasons {
			at := r.Ready
			for _, h := range r.Holds {
				if h.Until <= at {
					t.Fatalf("%s: %+v does not go on from %d", p.Steps[i].Name, h, at)
				}
				at = h.Until
			}
			if at != plan.Steps[i].Start {
				t.Fatalf("%s begins at %d, the reasons lead to %d: %+v", p.Steps[i].Name, plan.Steps[i].Start, at, r)
			}
		}
	})
}

// Without any calendar, hands, tools and bounds a plan is the forward pass, and its latest
// starts are the backward pass.
func TestWithoutCalendarItIsTheNetwork(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := drawNetwork(t, 12)
		net := must(criticalpath.Analyse(list))(t)
		p := criticalpath.Problem{Until: 10_000}
		for _, a := range list {
			p.Steps = append(p.Steps, criticalpath.Step{Name: a.Name, Wait: a.Duration, After: a.After})
		}
		plan := must(criticalpath.Forward(p))(t)
		latest := p.Latest(plan, plan.Finish)
		if plan.Finish != net.Length {
			t.Fatalf("finish %d, length %d", plan.Finish, net.Length)
		}
		for i, n := range net.Nodes {
			if plan.Steps[i].Start != n.Early.From || latest.Steps[i].Start != n.Late.From {
				t.Fatalf("%s: %+v, latest %+v, by the passes %+v", list[i].Name, plan.Steps[i], latest.Steps[i], n)
			}
		}
		back := must(criticalpath.Backward(p, net.Length+7))(t)
		for i, n := range net.Nodes {
			if back.Steps[i].Start != n.Late.From+7 {
				t.Fatalf("%s: planned backward %+v, by the passes %+v", list[i].Name, back.Steps[i], n)
			}
		}
	})
}

// An earlier plan is left alone when nothing has changed, and of a problem that has
// changed nothing moves that need not.
func TestWhatIsPlannedStays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawProblem(t, 10, false)
		plan := must(criticalpath.Forward(p))(t)
		var by *int64
		if rapid.Bool().Draw(t, "towards a finish") {
			at := plan.Finish + rapid.Int64Range(0, 50).Draw(t, "later")
			by = &at
			plan = must(criticalpath.Backward(p, at))(t)
		}
		before := func(i int) (int64, bool) { return plan.Steps[i].Start, true }
		if diff := cmp.Diff(plan, must(criticalpath.Again(p, by, before))(t)); diff != "" {
			t.Fatalf("nothing changed, and it moved:\n%s", diff)
		}
		late := rapid.IntRange(0, len(p.Steps)-1).Draw(t, "late")
		p.Steps[late].NotBefore = plan.Steps[late].Start + rapid.Int64Range(1, 30).Draw(t, "bound")
		again, err := criticalpath.Again(p, by, before)
		fresh := must(criticalpath.Forward(p))(t)
		if by != nil && fresh.Finish > *by {
			if !errors.Is(err, criticalpath.ErrFit) {
				t.Fatalf("it cannot be done by then: %v", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := p.Check(again); err != nil {
			t.Fatal(err)
		}
		switch {
		case by != nil && again.Finish > *by, by == nil && again.Finish > fresh.Finish && again.Overstay >= fresh.Overstay:
			t.Fatalf("kept it ends at %d, planned anew at %d", again.Finish, fresh.Finish)
		}
	})
}

func ExampleForward() {
	// Minutes from Monday 00:00; hands are free from 18:00 to 21:00 each day.
	const hour, day = 60, 24 * 60
	p := criticalpath.Problem{Until: 14 * day}
	for d := range int64(14) {
		p.Free = append(p.Free, criticalpath.Span{From: d*day + 18*hour, Until: d*day + 21*hour})
	}
	p.Steps = []criticalpath.Step{
		{Name: "soak", Work: 15, Wait: 2 * day},
		{Name: "pull", Work: 2 * hour, After: []criticalpath.Link{{Of: 0}}},
		{Name: "order", Work: 15, Wait: 3 * day},
		{Name: "ream", Work: 90, Within: []criticalpath.Span{{From: 4 * day, Until: 6 * day}}, After: []criticalpath.Link{{Of: 1}, {Of: 2}}},
	}
	plan, err := criticalpath.Forward(p)
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, at := range plan.Steps {
		fmt.Printf("%s: day %d, %02d:%02d\n", p.Steps[i].Name, at.Start/day, at.Start%day/hour, at.Start%hour)
	}
	// Output:
	// soak: day 0, 18:15
	// pull: day 2, 18:30
	// order: day 0, 18:00
	// ream: day 4, 18:00
}
