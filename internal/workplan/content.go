package workplan

import (
	"time"

	"github.com/google/uuid"
)

// Plan is a plan as it is kept.
type Plan struct {
	ID       uuid.UUID
	RepairID uuid.UUID
	Number   int
	MadeAt   time.Time
	MemberID uuid.UUID
	Content  Content
}

// Content is what a plan says, named in JSON as the contract has it.
type Content struct {
	Ask          Ask       `json:"ask"`
	Garage       string    `json:"garage"`    // code, where tools are collected
	TimeZone     string    `json:"time_zone"` // of that garage
	BeginsAt     time.Time `json:"begins_at"`
	EndsAt       time.Time `json:"ends_at"`
	HandsMinutes int       `json:"hands_minutes"`
	Steps        []Step    `json:"steps"`
	Chain        []string  `json:"chain"` // refs of what the finish hangs on
	HeldUp       []Share   `json:"held_up"`
	Uses         []Use     `json:"uses"`
	Compared     []Compare `json:"compared"`
	Changes      []Change  `json:"changes"`
	Assumed      []Note    `json:"assumed"`
	Warnings     []Note    `json:"warnings"`
	Cautions     []Note    `json:"cautions"`
	Summary      string    `json:"summary"`
}

// Step is a step of a plan: of the repair, or the delivery of its parts.
type Step struct {
	Ref       string      `json:"ref"`
	Name      string      `json:"name"`
	Phase     string      `json:"phase"`
	StepID    *uuid.UUID  `json:"step_id,omitempty"`
	Position  string      `json:"position,omitempty"`
	State     string      `json:"state"` // open, running or waiting, when the plan was made
	Minutes   int         `json:"minutes"`
	BeginsAt  time.Time   `json:"begins_at"`
	WorkedAt  time.Time   `json:"worked_at"` // when hands are off it
	EndsAt    time.Time   `json:"ends_at"`
	LatestAt  time.Time   `json:"latest_at"` // when it may begin at the latest
	Slack     int         `json:"slack_minutes"`
	Critical  bool        `json:"critical"`
	WaitsFor  []Held      `json:"waits_for,omitempty"`
	Tools     []string    `json:"tools,omitempty"` // models to be borrowed
	Rounds    []time.Time `json:"rounds,omitempty"`
	ClosedBy  string      `json:"closed_by,omitempty"`
	Overstays int         `json:"overstays_minutes,omitempty"`
}

// Held is what a step waits for once all that it comes after is done.
type Held struct {
	Code  string    `json:"code"`
	Ref   string    `json:"ref,omitempty"`
	Until time.Time `json:"until"`
	Text  string    `json:"text"`
}

// Share is how much of the time up to the finish goes on what.
type Share struct {
	Code    string `json:"code"`
	Minutes int    `json:"minutes"`
	Text    string `json:"text"`
}

// Use is a tool of a model for a stretch.
type Use struct {
	Model  string   `json:"tool_model"`
	Steps  []string `json:"steps"`  // refs
	Needed Period   `json:"needed"` // from the first step's beginning to when hands are off the last
	Period Period   `json:"period"` // to be reserved
}

// Compare is when all is done if parts are ordered otherwise.
type Compare struct {
	Ordering string     `json:"ordering"`
	EndsAt   *time.Time `json:"ends_at,omitempty"`
	Text     string     `json:"text"`
}

// Change is a step that moved since the plan before.
type Change struct {
	Ref  string     `json:"ref"`
	Was  *time.Time `json:"was,omitempty"`
	Now  *time.Time `json:"now,omitempty"`
	Code string     `json:"code"`
	Text string     `json:"text"`
}

// Note is a sentence with its code.
type Note struct {
	Code   string         `json:"code"`
	Params map[string]any `json:"params,omitempty"`
	Text   string         `json:"text"`
}
