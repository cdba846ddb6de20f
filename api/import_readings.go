package api

import (
	"encoding/json"
	"fmt"
	"time"

	"pinwright/internal/imports"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
)

func (r *importing) queueReadings(b *postgres.Batch) func() error {
	entries := make([]reading.Entry, len(r.bodies))
	for i, body := range r.bodies {
		if body.Thing["taken_at"] == nil && body.Thing["id"] == nil && len(body.Faults) == 0 {
			r.refuse(i, false, problem.Fault{Pointer: "/taken_at", Detail: "is needed: without the day, the same line of another sheet could not be told from this one"})
		}
		text, err := decodeRow[json.RawMessage](r, i, "ReadingIn", false)
		if err == nil && r.sound(i) {
			entries[i], _ = entryOf("", text)
		} else {
			entries[i].Faults = []problem.Fault{{}} // told with the row already
		}
	}
	post := reading.QueuePost(b, entries, r.again)
	return func() error { return r.judgeReadings(post) }
}

func (r *importing) judgeReadings(post *reading.Post) error {
	results, err := post.Record(r.in.ctx, r.tx, r.in.caller.MemberID)
	if err != nil {
		return err
	}
	for i, result := range results {
		o := &r.outcomes[i]
		o.name, _ = r.bodies[i].Thing["joint"].(string)
		if v, ok := r.bodies[i].Thing["vehicle"].(string); ok {
			o.name = v + "/" + o.name
		}
		if !r.sound(i) {
			continue
		}
		if result.Status == reading.Refused {
			r.refuse(i, false, result.Faults...)
			continue
		}
		o.status, o.id = result.Status, result.Reading.ID
		if result.Status == reading.Created {
			r.makes(i, imports.AReading, o.id)
		}
		if at := result.Reading.VoidAt; at != nil {
			o.note = fmt.Sprintf("It was voided on %s (%s) and stays so; to record it anew, give its row an id of its own.", at.UTC().Format(time.DateOnly), *result.Reading.VoidReason)
		} else if q := result.Reading.Question(); q != nil {
			o.note = q.Text
		}
	}
	return nil
}
