package reading

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/vehicle"
)

// Status is what became of an entry.
type Status string

// An entry is on record now, was before, or left nothing.
const (
	Created Status = "created"
	Exists  Status = "exists"
	Refused Status = "refused"
)

// Result is what became of one entry.
type Result struct {
	Status  Status
	Reading Reading // as it stands on record; nothing when refused
	Faults  []problem.Fault
	// IDUsed: it was refused because its id stands for other content.
	IDUsed bool
	// Ambiguous: all that is wrong is that its joint's name fits several joints.
	Ambiguous bool
}

// Post is entries on their way into the record.
type Post struct {
	entries []Entry
	again   bool
	joints  *postgres.Rows[vehicle.Joint]
	tools   *postgres.Rows[tool.Instrument]
	known   *postgres.Rows[Reading]

	replaced *Reading
}

// QueuePost looks up what the entries name and which of their ids are on record.
// again says that the write is run again because another one was faster.
func QueuePost(b *postgres.Batch, entries []Entry, again bool) *Post {
	ids := make([]uuid.UUID, 0, len(entries))
	for _, e := range entries {
		if len(e.Faults) == 0 && e.ID != uuid.Nil {
			ids = append(ids, e.ID)
		}
	}
	return &Post{entries: entries, again: again, joints: queueJoints(b, entries), tools: queueTools(b, entries), known: Find(b, ids...)}
}

// Replacing says that the entry of p takes the place of old. Of a doubtful
// reading the same size again is its confirmation, and is not doubted.
func (p *Post) Replacing(old Reading) { p.replaced = &old }

func (p *Post) confirms(r Reading) bool {
	return p.replaced != nil && p.replaced.Doubtful != nil && p.replaced.FeatureID == r.FeatureID && p.replaced.Size == r.Size
}

// Record judges the entries one by one and puts those that are sound and new on
// record with tx's commit. The caller refuses them all by returning an error
// from the write.
//
// The first time, readings that the look-up did not find are inserted with the
// commit; when another write inserted one of them meanwhile, the whole write is run
// again. From then on they are inserted before the commit, in a round trip of
// their own that waits for the others and tells which were theirs, so that no
// number of equal posts can keep one of them running again.
func (p *Post) Record(ctx context.Context, tx *postgres.Tx, actor uuid.UUID) ([]Result, error) {
	results := p.judge(tx, actor)
	known := map[uuid.UUID]Reading{}
	for _, r := range p.known.Items {
		known[r.ID] = r
	}
	if ids := nameByContent(results); len(ids) > 0 {
		var stored *postgres.Rows[Reading]
		if err := tx.Send(ctx, func(b *postgres.Batch) { stored = Find(b, ids...) }); err != nil {
			return nil, err
		}
		for _, r := range stored.Items {
			known[r.ID] = r
		}
	}
	fresh := settle(p.entries, results, known)
	switch {
	case len(fresh) == 0:
		return results, nil
	case !p.again:
		tx.Queue(insert, insertArgs(tx, fresh)...).RunAgainOn("reading_pkey")
	default:
		var inserted *postgres.Rows[uuid.UUID]
		var stored *postgres.Rows[Reading]
		err := tx.Send(ctx, func(b *postgres.Batch) {
			inserted = postgres.Values[uuid.UUID](b, insert+` on conflict (club_id, id) do nothing returning id`, insertArgs(tx, fresh)...)
			stored = Find(b, idsOf(fresh)...)
		})
		if err != nil {
			return nil, err
		}
		ours := map[uuid.UUID]bool{}
		for _, id := range inserted.Items {
			ours[id] = true
		}
		for _, r := range stored.Items {
			if !ours[r.ID] {
				known[r.ID] = r
			}
		}
		fresh = settle(p.entries, results, known)
	}
	states := make([]any, len(fresh))
	for i, r := range fresh {
		states[i] = r
	}
	journal.AppendAll(tx, journal.Event{Type: "reading.created", Version: 1, Audience: journal.ForClub, Actor: actor}, idsOf(fresh), states)
	return results, nil
}

// judge makes a reading of each entry, or finds its faults.
func (p *Post) judge(tx *postgres.Tx, actor uuid.UUID) []Result {
	joints := vehicle.NewIndex(p.joints.Items)
	tools := make(map[string]*tool.Instrument, 2*len(p.tools.Items))
	for i, t := range p.tools.Items {
		tools[t.ID.String()], tools[t.Number] = &p.tools.Items[i], &p.tools.Items[i]
	}
	results := make([]Result, len(p.entries))
	for i, e := range p.entries {
		faults := e.Faults
		if len(faults) == 0 {
			faults = e.check(tx.Now)
		}
		if len(faults) == 0 {
			at, wrongPlace := e.place(joints)
			by, wrongTool := e.toolOf(tools)
			faults = wrongTool
			if wrongPlace != nil {
				results[i].Ambiguous = len(faults) == 0 && problem.Is(wrongPlace, problem.AmbiguousName)
				faults = append(wrongPlace.Faults, faults...)
			}
			if len(faults) == 0 {
				results[i].Reading, faults = e.on(at, by, actor, tx.Now)
				if p.confirms(results[i].Reading) {
					results[i].Reading.Doubtful = nil
				}
			}
		}
		results[i].Faults = faults
	}
	return results
}

// contentSpace is the namespace of ids that are made of content.
var contentSpace = uuid.MustParse("6a0e3f52-8c1d-4b7e-9d43-5f2c7a91e0b8")

func contentID(space uuid.UUID, content []byte) uuid.UUID {
	return uuid.NewHash(sha256.New(), space, content, 8)
}

// nameByContent gives every sound reading without an id one that is made of its
// content (a name-based UUID of version 8, RFC 9562, 5.8 and B.2), so that the
// same reading entered again is the same reading. Equal ones that are entered
// together are several: the n-th has the n-th id of that content. It returns the
// ids.
func nameByContent(results []Result) []uuid.UUID {
	var ids []uuid.UUID
	seen := map[string]int{}
	for i := range results {
		r := &results[i].Reading
		if len(results[i].Faults) > 0 || r.ID != uuid.Nil {
			continue
		}
		nth := seen[string(r.Fingerprint)]
		seen[string(r.Fingerprint)]++
		r.ID = contentID(contentSpace, append(slices.Clone(r.Fingerprint), fmt.Sprint(" ", nth)...))
		ids = append(ids, r.ID)
	}
	return ids
}

// settle sets the status of every result, given the readings on record, and
// returns the readings to insert. Of equal entries with one id the first counts.
func settle(entries []Entry, results []Result, known map[uuid.UUID]Reading) []Reading {
	var fresh []Reading
	first := make(map[uuid.UUID]Reading, len(results))
	for i := range results {
		r := &results[i]
		if len(r.Faults) > 0 {
			r.Status, r.Reading = Refused, Reading{}
			continue
		}
		id := r.Reading.ID
		was, exists := known[id]
		if !exists {
			was, exists = first[id]
		}
		switch {
		case !exists:
			r.Status, first[id] = Created, r.Reading
			fresh = append(fresh, r.Reading)
		case bytes.Equal(was.Fingerprint, r.Reading.Fingerprint):
			r.Status, r.Reading = Exists, was
		default:
			r.Status, r.Reading, r.IDUsed = Refused, Reading{}, true
			r.Faults = []problem.Fault{entries[i].fault("/id", "this id stands for a reading with other content; make a new id, or void or replace that reading to correct it")}
		}
	}
	return fresh
}

func idsOf(readings []Reading) []uuid.UUID {
	ids := make([]uuid.UUID, len(readings))
	for i, r := range readings {
		ids[i] = r.ID
	}
	return ids
}

// insert puts many readings on record in one statement, in the order of their
// ids, so that posts of the same readings wait for each other and never in a circle.
const insert = `
	insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, method, instrument_id, station, direction_degrees, end_tried,
		part_length, deburred, stage, surface, temperature_celsius, taken_at, received_at, member_id, doubtful, assumed, fingerprint, origin_id)
	select $1, id, feature_id, kind, size_nm, entered::numeric, entered_unit, method, instrument_id, station, direction_degrees, end_tried,
		part_length, deburred, stage, surface, temperature_celsius, taken_at, $2, $3, doubtful, to_jsonb(string_to_array(assumed, ' ')), fingerprint, origin_id
	from unnest($4::uuid[], $5::uuid[], $6::text[], $7::bigint[], $8::text[], $9::text[], $10::text[], $11::uuid[], $12::text[], $13::double precision[], $14::text[],
		$15::boolean[], $16::boolean[], $17::text[], $18::text[], $19::double precision[], $20::timestamptz[], $21::text[], $22::text[], $23::bytea[], $24::uuid[])
		as u(id, feature_id, kind, size_nm, entered, entered_unit, method, instrument_id, station, direction_degrees, end_tried,
		part_length, deburred, stage, surface, temperature_celsius, taken_at, doubtful, assumed, fingerprint, origin_id)
	order by id`

func insertArgs(tx *postgres.Tx, readings []Reading) []any {
	return []any{tx.Club, readings[0].ReceivedAt, readings[0].MemberID,
		postgres.Column(readings, func(r Reading) uuid.UUID { return r.ID }),
		postgres.Column(readings, func(r Reading) uuid.UUID { return r.FeatureID }),
		postgres.Column(readings, func(r Reading) string { return r.Kind }),
		postgres.Column(readings, func(r Reading) int64 { return int64(r.Size) }),
		postgres.Column(readings, func(r Reading) string { return r.Entered }),
		postgres.Column(readings, func(r Reading) string { return r.EnteredUnit }),
		postgres.Column(readings, func(r Reading) *string { return r.Method }),
		postgres.Column(readings, func(r Reading) *uuid.UUID { return r.InstrumentID }),
		postgres.Column(readings, func(r Reading) *string { return r.Station }),
		postgres.Column(readings, func(r Reading) *float64 { return r.DirectionDegrees }),
		postgres.Column(readings, func(r Reading) *string { return r.EndTried }),
		postgres.Column(readings, func(r Reading) *bool { return r.PartLength }),
		postgres.Column(readings, func(r Reading) *bool { return r.Deburred }),
		postgres.Column(readings, func(r Reading) string { return r.Stage }),
		postgres.Column(readings, func(r Reading) string { return r.Surface }),
		postgres.Column(readings, func(r Reading) *float64 { return r.TemperatureCelsius }),
		postgres.Column(readings, func(r Reading) time.Time { return r.TakenAt }),
		postgres.Column(readings, func(r Reading) *string { return r.Doubtful }),
		postgres.Column(readings, func(r Reading) string { return strings.Join(r.Assumed, " ") }),
		postgres.Column(readings, func(r Reading) []byte { return r.Fingerprint }),
		postgres.Column(readings, func(r Reading) *uuid.UUID { return r.OriginID }),
	}
}
