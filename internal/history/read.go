package history

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/problem"
	"pinwright/internal/record"
)

// Told is a document that holds together, read.
type Told struct {
	From      From
	Hash      []byte
	Vehicle   VehicleRow
	Joints    []JointRow
	Readings  []ReadingRow
	Voids     []VoidRow
	Events    []EventRow
	Distances []DistanceRow
	Photos    []PhotoRow
	Records   []RecordRow

	texts map[string][]kept // by section, in the document's order
}

// kept is a row's canonical text with its digest.
type kept struct {
	text   string
	digest []byte
}

// broken is the refusal of a document, at the first place where it breaks.
func broken(at, format string, args ...any) error {
	return problem.Invalid(problem.Fault{Pointer: at, Detail: fmt.Sprintf(format, args...)})
}

// Read holds d to its digests, its hash and the chains of its records, and to what
// its rows say of each other. Of what is wrong it tells the first place. d has the
// form of its JSON Schema.
func Read(d Document) (*Told, error) {
	t := &Told{From: d.From, texts: map[string][]kept{}}
	if d.Schema != Schema {
		return nil, broken("/schema", "is not known here; this service takes %s", Schema)
	}
	rows, sums := all(d.Content), all(d.Digests)
	for i, s := range rows {
		if err := t.hold(s, sums[i].rows); err != nil {
			return nil, err
		}
	}
	hash, err := hashOf(d.Schema, d.Digests)
	if err != nil {
		return nil, err
	}
	if hash != d.Hash {
		return nil, broken("/hash", "is not that of the digests, which are of %s; fetch the history again", hash)
	}
	t.Hash, _ = hex.DecodeString(hash) // made just now
	for _, read := range []func() error{
		func() error { return one(t, "vehicle", &t.Vehicle) }, func() error { return each(t, "joints", &t.Joints) }, func() error { return each(t, "readings", &t.Readings) },
		func() error { return each(t, "voids", &t.Voids) }, func() error { return each(t, "wear_events", &t.Events) }, func() error { return each(t, "distances", &t.Distances) },
		func() error { return each(t, "photos", &t.Photos) }, func() error { return each(t, "records", &t.Records) }, t.refer, t.follow,
	} {
		if err := read(); err != nil {
			return nil, err
		}
	}
	return t, nil
}

// hold holds the rows of a section to their digests.
func (t *Told) hold(s section[json.RawMessage], sums []string) error {
	for i, row := range s.rows {
		text, sum, err := digest(row)
		switch {
		case err != nil:
			return broken(pointer("/content", s.name, i), "has no canonical form: %v", err)
		case i >= len(sums):
			return broken(pointer("/content", s.name, i), "has no digest, so it was added; fetch the history again")
		case hex.EncodeToString(sum[:]) != sums[i]:
			return broken(pointer("/content", s.name, i), "does not have the digest that the document tells, so one of the two was changed; fetch the history again")
		}
		t.texts[s.name] = append(t.texts[s.name], kept{string(text), sum[:]})
	}
	if len(sums) > len(s.rows) {
		return broken(pointer("/digests", s.name, len(s.rows)), "is of a row that is missing; fetch the history again")
	}
	return nil
}

func one[T any](t *Told, name string, out *T) error {
	return decode(t.texts[name][0].text, pointer("/content", name, 0), out)
}

func each[T any](t *Told, name string, out *[]T) error {
	*out = make([]T, len(t.texts[name]))
	for i, k := range t.texts[name] {
		if err := decode(k.text, pointer("/content", name, i), &(*out)[i]); err != nil {
			return err
		}
	}
	return nil
}

func decode(text, at string, out any) error {
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.DisallowUnknownFields()
	if err := d.Decode(out); err != nil {
		return broken(at, "cannot be read: %v", err)
	}
	return nil
}

// refer holds that each id stands once in its section, and that what a row is of
// stands in the document.
func (t *Told) refer() error {
	seen := map[uuid.UUID]string{}
	first := func(id uuid.UUID, section, at string) error {
		if seen[id] != "" {
			return broken(at, "has an id that stands already at another place (%s)", seen[id])
		}
		seen[id] = section
		return nil
	}
	of := func(id uuid.UUID, section, at string) error {
		if seen[id] != section {
			return broken(at, "is of something that the document does not tell of (%s)", id)
		}
		return nil
	}
	positions := map[string]bool{}
	for i, j := range t.Joints {
		at := pointer("/content", "joints", i)
		if err := first(j.ID, "joint", at+"/id"); err != nil {
			return err
		}
		if positions[j.Position] {
			return broken(at+"/position", "stands at two joints")
		}
		positions[j.Position] = true
		codes, usual := map[string]bool{}, 0
		for k, f := range j.Features {
			if f.ID == nil {
				return broken(fmt.Sprintf("%s/features/%d", at, k), "has no id")
			}
			if err := first(*f.ID, "feature", fmt.Sprintf("%s/features/%d/id", at, k)); err != nil {
				return err
			}
			if f.Usual {
				usual++
			}
			if codes[f.Code] || usual > 1 {
				return broken(fmt.Sprintf("%s/features/%d", at, k), "has a code that stands twice, or is a second usual feature")
			}
			codes[f.Code] = true
		}
	}
	for i, r := range t.Readings {
		at := pointer("/content", "readings", i)
		if err := first(r.ID, "reading", at+"/id"); err != nil {
			return err
		}
		if err := of(r.FeatureID, "feature", at+"/feature_id"); err != nil {
			return err
		}
	}
	for i, e := range t.Events {
		at := pointer("/content", "wear_events", i)
		if err := first(e.ID, "wear_event", at+"/id"); err != nil {
			return err
		}
		if err := of(e.JointID, "joint", at+"/joint_id"); err != nil {
			return err
		}
	}
	for i, d := range t.Distances {
		if err := first(d.ID, "distance", pointer("/content", "distances", i)+"/id"); err != nil {
			return err
		}
	}
	for i, p := range t.Photos {
		at := pointer("/content", "photos", i)
		if err := first(p.ID, "photo", at+"/id"); err != nil {
			return err
		}
		if err := of(p.JointID, "joint", at+"/joint_id"); err != nil {
			return err
		}
	}
	voids := map[uuid.UUID]bool{}
	for i, v := range t.Voids {
		at := pointer("/content", "voids", i) + "/id"
		if err := of(v.ID, v.Of, at); err != nil {
			return err
		}
		if voids[v.ID] {
			return broken(at, "is taken back twice")
		}
		voids[v.ID] = true
	}
	return nil
}

// follow works the hash of every record out anew and follows the chain of each
// origin from its first.
func (t *Told) follow() error {
	last := map[uuid.UUID]RecordRow{}
	for i, r := range t.Records {
		at := pointer("/content", "records", i)
		if err := r.holds(t.Vehicle.ID); err != nil {
			return broken(at, "%v", err)
		}
		before := last[r.Origin]
		if r.Place != before.Place+1 {
			return broken(at+"/place", "is %d where %d follows in the chain of its origin", r.Place, before.Place+1)
		}
		if says := r.previous(); says != before.Hash {
			return broken(at, "does not follow the record before it: it names the hash %q, and that one has %q", says, before.Hash)
		}
		last[r.Origin] = r
	}
	return nil
}

// said is what a record's content says of itself.
func (r RecordRow) said() (record.Content, error) {
	var c record.Content
	err := json.Unmarshal([]byte(r.Content), &c)
	return c, err
}

func (r RecordRow) previous() string {
	c, err := r.said()
	if err != nil || c.Previous == nil {
		return ""
	}
	return *c.Previous
}

// holds reports why r is not the record that it says it is.
func (r RecordRow) holds(vehicle uuid.UUID) error {
	text, sum, err := digest([]byte(r.Content))
	if err != nil {
		return fmt.Errorf("has a content without a canonical form: %w", err)
	}
	c, err := r.said()
	switch {
	case err != nil:
		return fmt.Errorf("has a content that cannot be read: %w", err)
	case !slices.Equal(text, []byte(r.Content)):
		return fmt.Errorf("has a content that is not in its canonical form (RFC 8785)")
	case hex.EncodeToString(sum[:]) != r.Hash:
		return fmt.Errorf("has a content that does not fit its hash; fetch the history again, or ask for the record where it was made")
	case c.Place != r.Place || c.Vehicle != vehicle:
		return fmt.Errorf("has a content that is of another record")
	}
	return nil
}
