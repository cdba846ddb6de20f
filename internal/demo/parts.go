package demo

import (
	"context"
	"strings"
	"time"
)

// delivery is an order of the past, and how long it took.
type delivery struct {
	Supplier string
	AgoDays  int `json:"ago_days"`
	TookDays int `json:"took_days"`
	Lines    []object
}

// deliver posts the orders of the past with their parcels.
func (c Club) deliver(ctx context.Context, api client, now time.Time) error {
	for _, d := range c.Deliveries {
		ordered := now.UTC().AddDate(0, 0, -d.AgoDays)
		var made struct{ ID string }
		if err := api.must(ctx, "POST", "parts-orders", object{"supplier": d.Supplier, "ordered_on": ordered.Format(time.DateOnly), "lines": d.Lines}, &made); err != nil {
			return err
		}
		if err := api.must(ctx, "POST", "parts-orders/"+made.ID+"/arrivals", object{"occurred_at": ordered.AddDate(0, 0, d.TookDays).Format(time.RFC3339)}, nil); err != nil {
			return err
		}
	}
	return nil
}

// supply orders what the repair at needs by the recommendation, and plans its steps into weekends;
// on a later start the order is open already and the plan is made anew.
func (c Club) supply(ctx context.Context, say func(string, ...any), member client, at, recommendation string) error {
	if err := member.must(ctx, "PATCH", at, object{"recommendation": recommendation}, nil); err != nil {
		return err
	}
	type needs struct {
		Summary string
		ToOrder []object `json:"to_order"`
		Waits   []struct {
			Supplier string
			Delivery struct{ Summary string }
		}
	}
	var before, after needs
	if err := member.must(ctx, "GET", at+"/parts", nil, &before); err != nil {
		return err
	}
	for _, order := range before.ToOrder {
		if order["supplier"] == nil { // nobody is known to have it
			order["supplier"] = "saltmarsh"
		}
		if err := member.must(ctx, "POST", "parts-orders", order, nil); err != nil {
			return err
		}
	}
	if err := member.must(ctx, "GET", at+"/parts", nil, &after); err != nil {
		return err
	}
	say("\n8  What it needs is ordered, and suppliers take as long as they took before:\n   %s", wrap(after.Summary))
	for _, w := range after.Waits {
		say("   - %s: %s", w.Supplier, wrap(w.Delivery.Summary))
	}
	var plan struct {
		Number   int
		Summary  string
		Compared []struct{ Text string }
	}
	weekend := []object{{"weekday": 6, "from": "09:00", "until": "17:00"}, {"weekday": 7, "from": "10:00", "until": "16:00"}}
	if err := member.must(ctx, "POST", at+"/plans", object{"free": object{"weekly": weekend}}, &plan); err != nil {
		return err
	}
	say("   Planned into the member's weekends (%s/plans/%d):\n   %s", strings.TrimPrefix(at, "repairs/"), plan.Number, wrap(plan.Summary))
	for _, o := range plan.Compared {
		say("   - %s", wrap(o.Text))
	}
	return nil
}
