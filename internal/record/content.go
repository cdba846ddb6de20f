package record

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/canonical"
	"pinwright/internal/repair"
)

// Schema names the form of a content, with its version: a form that says something
// else gets another.
const Schema = "pinwright-record/1"

// Content is what a record says. Lengths are nanometres, times UTC.
type Content struct {
	Schema   string    `json:"schema"`
	Place    int       `json:"place"`              // in the vehicle's chain, from 1; 0 in a draft
	Previous *string   `json:"previous,omitempty"` // hash of the record before it
	Vehicle  uuid.UUID `json:"vehicle_id"`
	Repair   Header    `json:"repair"`
	Joints   []Joint   `json:"joints"`
	Readings []Reading `json:"readings"` // oldest first
	Steps    []Step    `json:"steps"`    // in the procedure's order
	Verdicts []Verdict `json:"verdicts"` // oldest first
	Wrong    []Wrong   `json:"went_wrong"`
	Cautions []string  `json:"cautions"` // codes
	Notice   string    `json:"notice,omitempty"`
	Tools    []Tool    `json:"tools"` // what cut and what was read with, by number
	// Unread is how many older readings there are that are not in Readings.
	Unread int `json:"readings_left_out,omitempty"`
}

// Header is which repair it is.
type Header struct {
	ID         uuid.UUID  `json:"id"`
	Number     string     `json:"number"`
	Procedure  string     `json:"procedure"`
	Edition    int        `json:"edition"`
	Safety     bool       `json:"safety"`
	State      string     `json:"state"`
	BeganAt    time.Time  `json:"began_at"`
	LeadID     uuid.UUID  `json:"lead_id"`
	SignedAt   *time.Time `json:"signed_at,omitempty"`
	SignedBy   *uuid.UUID `json:"signed_by,omitempty"`
	SecondedAt *time.Time `json:"seconded_at,omitempty"`
	SecondedBy *uuid.UUID `json:"seconded_by,omitempty"`
}

// Joint is a joint of the repair, with what was decided for it.
type Joint struct {
	ID             uuid.UUID `json:"id"`
	Position       string    `json:"position"`
	SafetyCritical bool      `json:"safety_critical"`
	Option         string    `json:"option,omitempty"`
	PinStep        string    `json:"pin_step,omitempty"`
	Features       []Feature `json:"features"`
}

// Feature is one cylinder of a joint.
type Feature struct {
	ID        uuid.UUID `json:"id"`
	Code      string    `json:"code"`
	Shape     string    `json:"shape"`
	Duty      string    `json:"duty"`
	NominalNm *int64    `json:"nominal_nm,omitempty"`
}

// Reading is what was observed, by which means. ExpandedNm is of the instrument's
// newest calibration then, with its coverage factor; none where it had none.
type Reading struct {
	ID         uuid.UUID `json:"id"`
	FeatureID  uuid.UUID `json:"feature_id"`
	Kind       string    `json:"kind"`
	SizeNm     int64     `json:"size_nm"`
	Entered    string    `json:"entered"`
	Unit       string    `json:"unit"`
	Stage      string    `json:"stage"`
	Surface    string    `json:"surface"`
	Station    *string   `json:"station,omitempty"`
	Direction  *float64  `json:"direction_degrees,omitempty"`
	TakenAt    time.Time `json:"taken_at"`
	MemberID   uuid.UUID `json:"member_id"`
	Method     *string   `json:"with,omitempty"`
	Instrument *string   `json:"instrument,omitempty"`
	ExpandedNm *int64    `json:"expanded_uncertainty_nm,omitempty"`
	Coverage   *float64  `json:"coverage_factor,omitempty"`
	Calibrated *string   `json:"calibrated_on,omitempty"`
}

// Step is what was done.
type Step struct {
	Key      string     `json:"key"`
	Position string     `json:"position,omitempty"`
	Name     string     `json:"name"`
	Phase    string     `json:"phase"`
	State    string     `json:"state"`
	Rounds   int        `json:"rounds"`
	BeganAt  *time.Time `json:"began_at,omitempty"`
	BeganBy  *uuid.UUID `json:"began_by,omitempty"`
	DoneAt   *time.Time `json:"done_at,omitempty"`
	DoneBy   *uuid.UUID `json:"done_by,omitempty"`
}

// Verdict is whether what was cut fits, by the readings after it, at a risk of
// being wrong.
type Verdict struct {
	JointID  uuid.UUID `json:"joint_id"`
	Verdict  string    `json:"verdict"`
	Risk     float64   `json:"risk"`
	At       time.Time `json:"at"`
	MemberID uuid.UUID `json:"member_id"`
	Reamer   *string   `json:"reamer,omitempty"` // number of the tool that is said to have made the cut
}

// Tool is a tool that the work rests on, as it was called when the record was made. CutNm are
// the sizes that a reamer was seen to cut.
type Tool struct {
	Number     string  `json:"number"`
	Kind       string  `json:"kind"`
	Model      string  `json:"model"`
	Calibrated *string `json:"calibrated_on,omitempty"`
	Readings   int     `json:"readings,omitempty"` // that were taken with it
	Cuts       []int64 `json:"cut_nm,omitempty"`
}

// Wrong is what went wrong, and what was decided.
type Wrong struct {
	JointID  uuid.UUID  `json:"joint_id"`
	Kind     string     `json:"kind"`
	FoundAt  time.Time  `json:"found_at"`
	MemberID uuid.UUID  `json:"member_id"`
	Chosen   *string    `json:"chosen,omitempty"`
	ClosedAt *time.Time `json:"closed_at,omitempty"`
}

// Notice is what the record of a safety joint says in its body.
const Notice = "A joint of this repair steers, brakes, carries the suspension or a seat. This record tells what members of a club did and measured; it approves nothing. The maker's limits, local codes and a licensed inspection come first."

// contentOf is what there is to say of w, at a place in the chain.
func contentOf(w *repair.Work, features []featureRow, readings []readingRow, verdicts []Verdict, wrong []Wrong, tools []Tool) Content {
	c := Content{Schema: Schema, Vehicle: w.VehicleID, Joints: []Joint{}, Readings: []Reading{}, Steps: []Step{}, Verdicts: []Verdict{}, Wrong: []Wrong{}, Cautions: []string{}, Tools: append([]Tool{}, tools...),
		Repair: Header{ID: w.ID, Number: w.Label(), Procedure: w.ProcedureCode, Edition: w.Edition, Safety: w.Safety, State: w.State, BeganAt: w.BeganAt.UTC(), LeadID: w.LeadID,
			SignedAt: utc(w.SignedAt), SignedBy: w.SignedBy, SecondedAt: utc(w.SecondedAt), SecondedBy: w.SecondedBy}}
	for _, r := range readings {
		r.TakenAt = r.TakenAt.UTC()
		c.Readings = append(c.Readings, r.Reading)
		c.Unread = r.Total - len(readings)
	}
	for _, v := range verdicts {
		v.At = v.At.UTC()
		c.Verdicts = append(c.Verdicts, v)
	}
	for _, x := range wrong {
		x.FoundAt, x.ClosedAt = x.FoundAt.UTC(), utc(x.ClosedAt)
		c.Wrong = append(c.Wrong, x)
	}
	if w.Safety {
		c.Notice = Notice
	}
	for _, j := range w.Joints {
		chosen := w.Chosen[j.JointID]
		one := Joint{ID: j.JointID, Position: j.Position, SafetyCritical: j.SafetyCritical, Option: chosen.Option, PinStep: chosen.Step, Features: []Feature{}}
		for _, f := range features {
			if f.JointID == j.JointID {
				one.Features = append(one.Features, f.Feature)
			}
		}
		c.Joints = append(c.Joints, one)
		c.Cautions = append(c.Cautions, j.Cautions...)
	}
	for _, s := range w.Steps {
		of := w.Of(s)
		one := Step{Key: s.Key, Name: of.Name, Phase: string(of.Phase), State: s.State, Rounds: s.RoundsDone, BeganAt: utc(s.BeganAt), BeganBy: s.BeganBy, DoneAt: utc(s.DoneAt), DoneBy: s.DoneBy}
		if s.JointID != nil {
			one.Position = w.Position(*s.JointID)
		}
		c.Steps = append(c.Steps, one)
		if s.State != repair.LeftOut {
			c.Cautions = append(c.Cautions, of.Cautions...)
		}
	}
	slices.Sort(c.Cautions)
	c.Cautions = slices.Compact(c.Cautions)
	return c
}

// Canonical is c's one spelling, and its hash.
func (c Content) Canonical() (text []byte, hash Hash, err error) {
	text, err = canonical.Marshal(c)
	if err != nil {
		return nil, hash, fmt.Errorf("record: %w", err)
	}
	return text, sha256.Sum256(text), nil
}

// Hash is the SHA-256 of a content's canonical form.
type Hash [sha256.Size]byte

// ParseHash reads a hash as it is shown.
func ParseHash(text string) (h Hash, ok bool) {
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != len(h) {
		return h, false
	}
	return Hash(raw), true
}

// String is h in hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := t.UTC()
	return &at
}
