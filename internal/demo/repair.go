package demo

import (
	"context"
	"encoding/json"
	"fmt"
)

// mend begins the repair of the job's joints and tells what it wants; on a later start
// it goes on with the one that is open.
func (c Club) mend(ctx context.Context, say func(string, ...any), member client, recommendation string) error {
	say("\n7  The repair itself, by the club's procedure for door hinges:")
	var begun struct{ Number string }
	r, err := member.do(ctx, "POST", "repairs", object{"vehicle": c.Job.Vehicle, "joints": c.Job.Joints, "procedure": "door-hinge", "garage": "mews"})
	switch {
	case err != nil:
		return err
	case r.status == 409: // begun by an earlier start
		var open struct{ Items []struct{ Number string } }
		if err := member.must(ctx, "GET", "repairs?state=open&limit=1&vehicle="+c.Job.Vehicle, nil, &open); err != nil {
			return err
		}
		if len(open.Items) == 0 {
			return fmt.Errorf("POST repairs: %d %s", r.status, r.body)
		}
		begun = open.Items[0]
	case r.status >= 300:
		return fmt.Errorf("POST repairs: %d %s", r.status, r.body)
	default:
		if err := json.Unmarshal(r.body, &begun); err != nil {
			return err
		}
	}
	at := "repairs/" + begun.Number
	for _, act := range []string{"protect/finish", "penetrant/begin"} { // done already, they change nothing
		if err := member.must(ctx, "POST", at+"/steps/"+act, object{}, nil); err != nil {
			return err
		}
	}
	var now struct {
		Summary string
		DoNext  []coded `json:"do_next"`
	}
	if err := member.must(ctx, "GET", at, nil, &now); err != nil {
		return err
	}
	say("   %s", wrap(now.Summary))
	for _, d := range now.DoNext {
		say("   - %s", wrap(d.Text))
	}
	var pull struct{ Figures []coded }
	if err := member.must(ctx, "GET", at+"/steps/pull:"+c.Job.Joints[0], nil, &pull); err != nil {
		return err
	}
	say("   For drawing the pin of %s:", c.Job.Joints[0])
	for _, f := range pull.Figures {
		say("   - %s", wrap(f.Text))
	}
	return c.supply(ctx, say, member, at, recommendation)
}
