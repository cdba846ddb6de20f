package procedure_test

import (
	"slices"
	"strings"
	"testing"

	"pinwright/internal/procedure"
	"pinwright/internal/vehicle"
)

// Every shipped procedure can be made by POST, is of a kind of joint that has a
// shipped template, and comes through the phases that every repair has.
func TestShippedProceduresAreWhole(t *testing.T) {
	t.Parallel()
	all := procedure.Shipped()
	if len(all) != 4 {
		t.Fatalf("%d procedures are shipped", len(all))
	}
	templates := map[string]string{}
	for _, j := range vehicle.ShippedTemplates() {
		templates[j.Code] = j.Name
	}
	for _, p := range all {
		t.Run(p.Code, func(t *testing.T) {
			if faults := procedure.Check("/steps", p.Steps); len(faults) > 0 {
				t.Errorf("%+v", faults)
			}
			if templates[p.Code] != p.KindOfJoint {
				t.Errorf("kind of joint %q; the template is named %q", p.KindOfJoint, templates[p.Code])
			}
			var phases []procedure.Phase
			for _, s := range p.Steps {
				phases = append(phases, s.Phase)
				if len(s.Instructions) == 0 || s.ClosedBy == "" {
					t.Errorf("%s: no instructions, or nobody to close it", s.Key)
				}
				if s.Phase == procedure.Ream && !slices.ContainsFunc(s.Instructions, func(i string) bool { return strings.Contains(i, "also on the way out") }) && s.Key == "ream" {
					t.Errorf("%s: does not say to turn forwards on the way out, too", s.Key)
				}
			}
			for _, want := range []procedure.Phase{procedure.Protect, procedure.Free, procedure.Pull, procedure.Clean, procedure.Measure, procedure.Decide, procedure.Order, procedure.Reserve,
				procedure.Ream, procedure.Verify, procedure.Rustproof, procedure.TrialFit, procedure.Lubricate, procedure.Press, procedure.Adjust, procedure.SignOff} {
				if !slices.Contains(phases, want) {
					t.Errorf("no step of the phase %s", want)
				}
			}
		})
	}
}

func TestCheckTellsEveryFault(t *testing.T) {
	t.Parallel()
	step := func(key string, after ...string) procedure.Step {
		return procedure.Step{Key: key, Per: procedure.PerJob, After: after}
	}
	least := 30
	for name, tc := range map[string]struct {
		steps []procedure.Step
		want  string
	}{
		"a key twice":                 {[]procedure.Step{step("a"), step("a")}, "/steps/1/key"},
		"after what is not there":     {[]procedure.Step{step("a", "b")}, "/steps/0/after/0"},
		"after itself":                {[]procedure.Step{step("a", "a")}, "/steps/0/after/0"},
		"a circle":                    {[]procedure.Step{step("x"), step("a", "x", "c"), step("b", "a"), step("c", "b")}, "/steps/1/after"},
		"overstays before it is over": {[]procedure.Step{{Key: "a", Per: procedure.PerJob, Wait: &procedure.Wait{Kind: "dwell", Minutes: 60, MostMinutes: &least}}}, "/steps/0/wait/most_minutes"},
		"repeats while it waits":      {[]procedure.Step{{Key: "a", Per: procedure.PerJob, Wait: &procedure.Wait{Kind: "creep", Minutes: 121}, Repeat: &procedure.Repeat{EveryHours: 2, Times: 2}}}, "/steps/0/repeat/every_hours"},
		"no tool named":               {[]procedure.Step{{Key: "a", Per: procedure.PerJob, Tools: []procedure.Tool{{Purpose: "x"}}}}, "/steps/0/tools/0"},
		"decided for the job":         {[]procedure.Step{{Key: "a", Per: procedure.PerJob, OnlyIf: []string{"ream_to"}}}, "/steps/0/per"},
	} {
		faults := procedure.Check("/steps", tc.steps)
		if len(faults) != 1 || faults[0].Pointer != tc.want {
			t.Errorf("%s: %+v, want a fault at %s", name, faults, tc.want)
		}
	}
	if faults := procedure.Check("/steps", []procedure.Step{step("c", "b"), step("b", "a"), step("a")}); len(faults) > 0 {
		t.Errorf("steps in any order: %+v", faults)
	}
}
