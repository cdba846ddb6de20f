package procedure

import (
	"fmt"
	"slices"
	"time"

	"pinwright/internal/problem"
)

// Phase is what part of a repair a step belongs to.
type Phase string

// The phases, in the order in which a repair usually comes through them.
const (
	Protect   Phase = "protect"
	Free      Phase = "free"
	Pull      Phase = "pull"
	Clean     Phase = "clean"
	Measure   Phase = "measure"
	Decide    Phase = "decide"
	Order     Phase = "order"
	Reserve   Phase = "reserve"
	Ream      Phase = "ream"
	Verify    Phase = "verify"
	Rustproof Phase = "rustproof"
	TrialFit  Phase = "trial_fit"
	Finish    Phase = "finish"
	Lubricate Phase = "lubricate"
	Press     Phase = "press"
	Adjust    Phase = "adjust"
	SignOff   Phase = "sign_off"
)

// What a step is done once for.
const (
	PerJob   = "job"
	PerJoint = "joint"
)

// Who may close a step.
const (
	Anyone        = "anyone"
	Lead          = "lead"
	AnotherMember = "another_member" // than who began it
	ToolKeeper    = "tool_keeper"
	Officer       = "officer"
)

// Step is one step of a procedure, named in JSON as the contract has it.
type Step struct {
	Key          string       `json:"key"`
	Name         string       `json:"name"`
	Phase        Phase        `json:"phase"`
	Per          string       `json:"per"`
	Instructions []string     `json:"instructions"`
	Cautions     []string     `json:"cautions,omitempty"`
	Tools        []Tool       `json:"tools,omitempty"`
	Consumables  []Consumable `json:"consumables,omitempty"`
	Minutes      int          `json:"minutes"` // hands on, each round
	Wait         *Wait        `json:"wait,omitempty"`
	Repeat       *Repeat      `json:"repeat,omitempty"`
	After        []string     `json:"after,omitempty"` // keys of steps that come before
	Parts        bool         `json:"parts,omitempty"` // what was ordered must be here
	Results      []Result     `json:"results,omitempty"`
	ClosedBy     string       `json:"closed_by"`
	Figures      []string     `json:"figures,omitempty"`
	OnlyIf       []string     `json:"only_if,omitempty"` // options of a recommendation for the joint; of none: always
}

// Tool is what a step takes of the club's tools.
type Tool struct {
	Kind    string `json:"kind,omitempty"`       // of tools
	Model   string `json:"tool_model,omitempty"` // or a model's code
	Days    int    `json:"days,omitempty"`       // for how long it is needed; 0: the day itself
	Purpose string `json:"purpose,omitempty"`
}

// Consumable is what a step uses up, for each time that it is done.
type Consumable struct {
	Name     string  `json:"name"`
	Quantity float64 `json:"quantity"`
	Unit     string  `json:"unit"`
}

// Wait is what must pass by itself once a step was begun.
type Wait struct {
	Kind        string `json:"kind"` // creep, dwell, drying, cooling or curing
	Minutes     int    `json:"minutes"`
	MostMinutes *int   `json:"most_minutes,omitempty"` // from which on it overstays
	Warning     string `json:"warning,omitempty"`      // what that does
}

// Duration is how long the wait is.
func (w Wait) Duration() time.Duration { return time.Duration(w.Minutes) * time.Minute }

// Repeat is how often a step is done over.
type Repeat struct {
	EveryHours int `json:"every_hours"`
	Times      int `json:"times"` // in all
}

// Every is the time from one round to the next.
func (r Repeat) Every() time.Duration { return time.Duration(r.EveryHours) * time.Hour }

// Rounds is how often the step is done.
func (s Step) Rounds() int {
	if s.Repeat == nil {
		return 1
	}
	return s.Repeat.Times
}

// Result is what must have been measured before a step may close: of every feature
// of that shape (and duty, where one is named) at least so many readings at the
// stage, taken since the repair began.
type Result struct {
	Shape   string   `json:"shape"`
	Duty    string   `json:"duty,omitempty"`
	Stage   string   `json:"stage"`
	Least   int      `json:"least"`
	Methods []string `json:"methods,omitempty"` // kinds of instruments that count; none: any
}

// MostSteps bounds a procedure.
const MostSteps = 60 // as the contract has it

// Check reports what is wrong with steps that the contract cannot tell. at is the
// pointer of the list.
func Check(at string, steps []Step) []problem.Fault {
	var faults []problem.Fault
	fault := func(i int, member, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("%s/%d/%s", at, i, member), Detail: fmt.Sprintf(format, args...)})
	}
	place := map[string]int{}
	for i, s := range steps {
		if first, twice := place[s.Key]; twice {
			fault(i, "key", "%q is step %d already; give each step a key of its own", s.Key, first)
			continue
		}
		place[s.Key] = i
	}
	for i, s := range steps {
		for n, key := range s.After {
			switch _, known := place[key]; {
			case !known:
				fault(i, fmt.Sprintf("after/%d", n), "there is no step %q in this procedure; check the spelling", key)
			case key == s.Key:
				fault(i, fmt.Sprintf("after/%d", n), "a step cannot come after itself")
			}
		}
		if w := s.Wait; w != nil && w.MostMinutes != nil && *w.MostMinutes < w.Minutes {
			fault(i, "wait/most_minutes", "must not be below minutes (%d): the wait would overstay before it is over", w.Minutes)
		}
		if r := s.Repeat; r != nil && s.Wait != nil && s.Wait.Duration() > r.Every() {
			fault(i, "repeat/every_hours", "is shorter than the wait of each round (%d minutes); repeat it less often", s.Wait.Minutes)
		}
		for n, tool := range s.Tools {
			if (tool.Kind == "") == (tool.Model == "") {
				fault(i, fmt.Sprintf("tools/%d", n), "names a kind of tool, or a tool_model; give one of the two")
			}
		}
		if len(s.OnlyIf) > 0 && s.Per != PerJoint {
			fault(i, "per", "must be joint where only_if is given: what was decided differs from joint to joint")
		}
	}
	if len(faults) == 0 {
		faults = circle(at, steps, place)
	}
	return faults
}

// circle reports a step that, over others, comes after itself. Steps are taken away
// as soon as all that come before them are gone; what is left stands in a circle
// or behind one.
func circle(at string, steps []Step, place map[string]int) []problem.Fault {
	gone := make([]bool, len(steps))
	left := len(steps)
	for moved := true; moved; {
		moved = false
		for i, s := range steps {
			if !gone[i] && !slices.ContainsFunc(s.After, func(key string) bool { return !gone[place[key]] }) {
				gone[i], moved = true, true
				left--
			}
		}
	}
	if left == 0 {
		return nil
	}
	i := slices.Index(gone, false)
	return []problem.Fault{{Pointer: fmt.Sprintf("%s/%d/after", at, i), Detail: fmt.Sprintf("the step %q comes, over others, after itself or after steps that do; take one of these arrows away", steps[i].Key)}}
}
