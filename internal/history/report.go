package history

import (
	"fmt"

	"github.com/google/uuid"
)

// mostLeftOut bounds how many rows a report lists.
const mostLeftOut = 500

// Counts is how many rows of each section.
type Counts struct {
	Joints     int `json:"joints"`
	Readings   int `json:"readings"`
	Voids      int `json:"voids"`
	WearEvents int `json:"wear_events"`
	Distances  int `json:"distances"`
	Photos     int `json:"photos"`
	Records    int `json:"records"`
}

func (c Counts) all() int {
	return c.Joints + c.Readings + c.Voids + c.WearEvents + c.Distances + c.Photos + c.Records
}

// LeftOut is a row that was not taken, and why.
type LeftOut struct {
	At   string    `json:"at"`
	ID   uuid.UUID `json:"id"`
	Text string    `json:"text"`
}

// Report is what became of a document.
type Report struct {
	VehicleID    uuid.UUID `json:"vehicle_id"`
	Vehicle      string    `json:"vehicle"`
	Hash         string    `json:"hash"`
	Taken        Counts    `json:"taken"`
	There        Counts    `json:"there"`
	LeftOut      []LeftOut `json:"left_out"`
	LeftOutCount int       `json:"left_out_count"`
	Summary      string    `json:"summary"`
	Warnings     []Warning `json:"warnings"`
}

// Warning is a sentence with its code.
type Warning struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// tell says the report in words.
func (r *Report) tell(from string, fresh bool) {
	what := "New is"
	if fresh {
		what = "It is new here, with"
	}
	r.Summary = fmt.Sprintf("The history of %s from %s. %s: %d rows, %d readings among them; %d were here before.", r.Vehicle, from, what, r.Taken.all(), r.Taken.Readings, r.There.all())
	if r.LeftOutCount > 0 {
		r.Summary += fmt.Sprintf(" %d were left out; see left_out.", r.LeftOutCount)
	}
	r.Warnings = []Warning{{"measured_elsewhere", "It was measured and done in another club, as that club says. Its hashes tell that nothing was changed on the way, not that it is right."}}
	if r.Taken.Readings > 0 {
		r.Warnings = append(r.Warnings, Warning{"instruments_not_known", "The instruments are not this club's, so readings count as read with a plain one of their kind. Measure anew what work depends on."})
	}
}
