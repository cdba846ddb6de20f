package repair

import (
	"encoding/json"
	"fmt"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
)

// Chosen is what a recommendation chose for a joint, with the numbers that it kept.
// Lengths are nil where it told none.
type Chosen struct {
	Option     string
	Step       string // of the pin series
	SeriesID   uuid.UUID
	Pin        *length.Length
	Reamer     *length.Length
	HeldReamer *length.Length
	Allowance  *Span // what is left to cut, on diameter
	Clearance  *Span // play to expect
	Press      *Pressing
	Bush       *Bush
}

// Span is an estimated size: its middle, and where it lies 95 times in 100.
type Span struct{ Median, Low, High length.Length }

// Pressing is what pushing the pin into a held bore takes, in newtons.
type Pressing struct {
	Force, Low, High float64
	HandClamp        bool
	Means            string // the weakest common means that surely does it
}

// Bush is what to bore and to turn.
type Bush struct {
	HoleSmallest, HoleLargest         length.Length
	FinishedSmallest, FinishedLargest length.Length
	Force                             float64
}

// bodySize is a length as a kept recommendation writes it.
type bodySize struct {
	Value json.Number `json:"value"`
	Unit  length.Unit `json:"unit"`
}

func (s *bodySize) length() *length.Length {
	if s == nil {
		return nil
	}
	q, err := length.New(s.Value.String(), s.Unit)
	if err != nil {
		return nil
	}
	l := q.Length()
	return &l
}

type bodySpan struct {
	Median *bodySize `json:"median"`
	Low    *bodySize `json:"low"`
	High   *bodySize `json:"high"`
}

func (s *bodySpan) span() *Span {
	if s == nil {
		return nil
	}
	m, l, h := s.Median.length(), s.Low.length(), s.High.length()
	if m == nil || l == nil || h == nil {
		return nil
	}
	return &Span{Median: *m, Low: *l, High: *h}
}

type bodyOption struct {
	Option    string    `json:"option"`
	Step      string    `json:"step"`
	Allowance *bodySpan `json:"allowance"`
	Press     *struct {
		Force     float64 `json:"force_newtons"`
		Low       float64 `json:"force_low_newtons"`
		High      float64 `json:"force_high_newtons"`
		HandClamp bool    `json:"hand_clamp"`
		Means     string  `json:"means"`
	} `json:"press"`
	Bush *struct {
		HoleSmallest     *bodySize `json:"hole_smallest"`
		HoleLargest      *bodySize `json:"hole_largest"`
		FinishedSmallest *bodySize `json:"finished_smallest"`
		FinishedLargest  *bodySize `json:"finished_largest"`
		Force            float64   `json:"force_newtons"`
	} `json:"bush"`
}

// advice is what a recommendation chose for a joint, and what else it offered.
type advice struct {
	chosen  Chosen
	options []bodyOption
}

// instead is what is done with the joint where something else was decided than was chosen.
func (a advice) instead(option, step string) Chosen {
	c := Chosen{Option: option, Step: step, SeriesID: a.chosen.SeriesID}
	for _, o := range a.options {
		if o.Option == option && (step == "" || o.Step == step) {
			c.take(o)
			break
		}
	}
	return c
}

// adviceOf reads what a kept recommendation says, by joint.
func adviceOf(body []byte) (map[uuid.UUID]advice, error) {
	var of struct {
		SeriesID uuid.UUID `json:"pin_series_id"`
		Joints   []struct {
			JointID    uuid.UUID    `json:"joint_id"`
			Option     string       `json:"option"`
			Step       string       `json:"step"`
			Pin        *bodySize    `json:"pin"`
			Reamer     *bodySize    `json:"reamer"`
			HeldReamer *bodySize    `json:"held_reamer"`
			Clearance  *bodySpan    `json:"clearance"`
			Options    []bodyOption `json:"options"`
		} `json:"joints"`
	}
	if err := json.Unmarshal(body, &of); err != nil {
		return nil, fmt.Errorf("repair: read the recommendation: %w", err)
	}
	out := map[uuid.UUID]advice{}
	for _, j := range of.Joints {
		c := Chosen{Option: j.Option, Step: j.Step, SeriesID: of.SeriesID, Pin: j.Pin.length(), Reamer: j.Reamer.length(), HeldReamer: j.HeldReamer.length(), Clearance: j.Clearance.span()}
		for _, o := range j.Options {
			if j.Option != "" && o.Option == j.Option && o.Step == j.Step {
				c.take(o)
				break
			}
		}
		out[j.JointID] = advice{chosen: c, options: j.Options}
	}
	return out, nil
}

// take takes the numbers of the option that was chosen.
func (c *Chosen) take(o bodyOption) {
	c.Allowance = o.Allowance.span()
	if p := o.Press; p != nil {
		c.Press = &Pressing{Force: p.Force, Low: p.Low, High: p.High, HandClamp: p.HandClamp, Means: p.Means}
	}
	if b := o.Bush; b != nil {
		sizes := []*length.Length{b.HoleSmallest.length(), b.HoleLargest.length(), b.FinishedSmallest.length(), b.FinishedLargest.length()}
		for _, s := range sizes {
			if s == nil {
				return
			}
		}
		c.Bush = &Bush{HoleSmallest: *sizes[0], HoleLargest: *sizes[1], FinishedSmallest: *sizes[2], FinishedLargest: *sizes[3], Force: b.Force}
	}
}
