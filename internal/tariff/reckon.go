package tariff

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/production"
)

// Used is a use that is charged, with its part of the wear. Of what is counted in
// another unit than the tool's life is, nothing is charged.
type Used struct {
	ID    uuid.UUID `json:"id"`
	Work  string    `json:"work"`
	Count int64     `json:"count"`
	Wear  int64     `json:"wear"`
}

// Reckoned is a charge with every number that went into it. Amounts are minor units.
type Reckoned struct {
	Unit        string `json:"unit"`
	Units       int64  `json:"units"` // expected of a quote, made of a charge
	Flat        int64  `json:"flat"`
	Wear        int64  `json:"wear"`
	Consumables int64  `json:"consumables"`
	Least       int64  `json:"least"` // what is added to come to the least charge
	Late        int64  `json:"late"`
	Damage      int64  `json:"damage"`

	Basis      production.Basis `json:"basis"`
	Defaults   []string         `json:"defaults"`
	Span       production.Span  `json:"span"` // as it stood before
	PerUnit    int64            `json:"per_unit"`
	AtLeast    int64            `json:"at_least"`
	Exempt     string           `json:"exempt"`
	LateFee    int64            `json:"late_fee"`
	LateMost   *int64           `json:"late_most"`
	LateDays   int              `json:"late_days"`
	GraceDays  int              `json:"grace_days"`
	RuleNumber int64            `json:"rule_number"`
	CostNumber int64            `json:"cost_number"`
	Uses       []Used           `json:"uses"`
}

// Total is what it comes to.
func (r Reckoned) Total() int64 {
	return r.Flat + r.Wear + r.Consumables + r.Least + r.Late + r.Damage
}

// Reckon is what the uses of a tool come to by f.
func (f Facts) Reckon(uses []Used) (Reckoned, error) {
	costs := f.costs()
	span, err := costs.Basis().Estimate(production.Progress{Units: f.BeforeUnits, Charged: f.BeforeCharged})
	if err != nil {
		return Reckoned{}, fmt.Errorf("costs of %s: %w", f.Model, err)
	}
	span.Done, span.Later = production.Progress{Units: f.DoneUnits, Charged: f.DoneCharged}, f.LaterCharged
	r := Reckoned{Unit: costs.Unit, Basis: costs.Basis(), Defaults: costs.Defaults, Span: span, PerUnit: f.Consumables[f.Kind], AtLeast: f.LeastMinor, Exempt: f.exempt(),
		LateFee: f.LateMinor, LateMost: f.LateMostMinor, GraceDays: f.LateGraceDays, RuleNumber: f.RuleNumber, CostNumber: costs.Number, Uses: append([]Used{}, uses...)}
	counts := make([]int64, len(uses))
	for i, u := range uses {
		if u.Work == r.Unit {
			counts[i] = u.Count
			r.Units += u.Count
		}
	}
	if r.Exempt != "" {
		for i := range r.Uses {
			r.Uses[i].Wear = 0
		}
		return r, nil
	}
	wears, err := span.Uses(counts)
	if err != nil {
		return Reckoned{}, fmt.Errorf("wear of %s: %w", f.Model, err)
	}
	for i, wear := range wears {
		r.Uses[i].Wear = wear
		r.Wear += wear
	}
	if f.FlatMinor != nil {
		r.Flat = *f.FlatMinor
	}
	r.Consumables = r.Units * r.PerUnit
	r.Least = max(0, r.AtLeast-r.Flat-r.Wear-r.Consumables)
	return r, nil
}

// broughtBack adds what it costs that the tool came back at that time: by the days
// of the calendar in its garage, beyond those of grace.
func (r Reckoned) broughtBack(f Facts, back time.Time) Reckoned {
	r.LateDays = LateDays(f.TimeZone, f.Ends, back)
	if days := r.LateDays - r.GraceDays; days > 0 && r.Exempt == "" {
		r.Late = int64(days) * r.LateFee
		if r.LateMost != nil {
			r.Late = min(r.Late, *r.LateMost)
		}
	}
	return r
}

// LateDays is by how many days of the calendar in zone back lies after due; 0 when it
// does not.
func LateDays(zone string, due, back time.Time) int {
	at, err := time.LoadLocation(zone)
	if err != nil {
		at = time.UTC // the garage's clock is checked when it is entered
	}
	return max(0, int(dateOf(at, back).Sub(dateOf(at, due)).Hours()/24))
}

// dateOf is the date at zone's clock, at midnight UTC.
func dateOf(zone *time.Location, t time.Time) time.Time {
	shown := t.In(zone)
	return time.Date(shown.Year(), shown.Month(), shown.Day(), 0, 0, 0, 0, time.UTC)
}
