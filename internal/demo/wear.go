package demo

import (
	"context"
	"fmt"
)

// past is what happened to the club's things beside their readings.
type past struct {
	Events []struct {
		Joint string
		Event object
	}
	Distances []struct {
		Vehicle string
		Shown   []object
	}
	Shown string // the joint whose trend the story ends with
}

// load posts it.
func (p past) load(ctx context.Context, api client) error {
	for _, e := range p.Events {
		if err := api.must(ctx, "POST", "joints/"+e.Joint+"/events", e.Event, nil); err != nil {
			return err
		}
	}
	for _, d := range p.Distances {
		for _, body := range d.Shown {
			if err := api.must(ctx, "POST", "vehicles/"+d.Vehicle+"/distances", body, nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// tell says how one joint has worn, over time and over the road.
func (p past) tell(ctx context.Context, say func(string, ...any), member client) error {
	say("\n   Meanwhile, of another vehicle's hinge that is read twice a year:")
	for _, over := range []string{"time", "distance"} {
		var trend struct{ Summary string }
		if err := member.must(ctx, "GET", fmt.Sprintf("joints/%s/trend?over=%s&limit=0.1%%20mm", p.Shown, over), nil, &trend); err != nil {
			return err
		}
		say("   %-9s %s", over, wrap(trend.Summary))
	}
	return nil
}
