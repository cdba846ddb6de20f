package history

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"pinwright/internal/canonical"
	"pinwright/internal/problem"
)

// made is a document with a joint, n readings and a chain of records.
func made(t testing.TB, n, records int) Document {
	t.Helper()
	text := func(v any) json.RawMessage {
		out, err := canonical.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	at := time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)
	car, club, feature := uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
	c := Content{Vehicle: text(VehicleRow{ID: car, Code: "tourer", Name: "Tourer"}), Joints: []json.RawMessage{text(JointRow{ID: uuid.Must(uuid.NewV7()), Position: "upper", Facts: json.RawMessage(`{}`),
		Template: TemplateRow{Code: "hinge", Name: "Hinge", Cautions: []string{}, Features: []CylinderRow{{Code: "bore", Shape: "bore", Duty: "running", Usual: true}}},
		Features: []CylinderRow{{ID: &feature, Code: "bore", Shape: "bore", Duty: "running", Usual: true}}})}}
	for i := range n {
		c.Readings = append(c.Readings, text(ReadingRow{ID: uuid.Must(uuid.NewV7()), Origin: club, FeatureID: feature, Kind: "measured", SizeNM: 8_000_000 + int64(i), Entered: "8", Unit: "mm", Stage: "as_found", Surface: "bright", TakenAt: at, Assumed: []string{}}))
	}
	previous := ""
	for place := 1; place <= records; place++ {
		content := map[string]any{"schema": "pinwright-record/1", "place": place, "vehicle_id": car, "joints": []any{}}
		if previous != "" {
			content["previous"] = previous
		}
		says := text(content)
		sum := sha256.Sum256(says)
		previous = hex.EncodeToString(sum[:])
		c.Records = append(c.Records, text(RecordRow{Origin: club, Place: place, Hash: previous, MadeAt: at, Content: string(says)}))
	}
	d, err := seal(From{club, "Hollow Lane"}, at, c)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func place(t testing.TB, err error) string {
	t.Helper()
	var p *problem.Error
	if !errors.As(err, &p) || len(p.Faults) != 1 {
		t.Fatalf("%v is not one fault", err)
	}
	return p.Faults[0].Pointer
}

func TestAChangedRowIsFoundWhereverItStands(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(1, 8).Draw(r, "rows")
		d := made(t, n, 0)
		if _, err := Read(d); err != nil {
			t.Fatal(err)
		}
		at := rapid.IntRange(0, n-1).Draw(r, "at")
		d.Content.Readings[at] = json.RawMessage(strings.Replace(string(d.Content.Readings[at]), `"bright"`, `"rusty"`, 1))
		if _, err := Read(d); place(t, err) != pointer("/content", "readings", at) {
			t.Errorf("row %d was changed, and it is told of %v", at, err)
		}
	})
}

// Whoever changes something and works all digests anew is still held by the chain.
func TestChainsAreFollowedWhateverTheDigestsSay(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name, at string
		change   func(rows []json.RawMessage) []json.RawMessage
	}{
		{"the first taken away", "/content/records/0/place", func(rows []json.RawMessage) []json.RawMessage { return rows[1:] }},
		{"one between taken away", "/content/records/1/place", func(rows []json.RawMessage) []json.RawMessage { return append(rows[:1:1], rows[2]) }},
		{"two in each other's place", "/content/records/0/place", func(rows []json.RawMessage) []json.RawMessage { return []json.RawMessage{rows[1], rows[0], rows[2]} }},
		{"a content changed", "/content/records/1", func(rows []json.RawMessage) []json.RawMessage {
			rows[1] = json.RawMessage(strings.Replace(string(rows[1]), `\"joints\":[]`, `\"joints\":[{}]`, 1))
			return rows
		}},
	} {
		d := made(t, 1, 3)
		if _, err := Read(d); err != nil {
			t.Fatal(err)
		}
		d.Content.Records = row.change(d.Content.Records)
		again, err := seal(d.From, d.MadeAt, d.Content)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Read(again); place(t, err) != row.at {
			t.Errorf("%s: told of %v, want %s", row.name, err, row.at)
		}
	}
}

// The hash does not depend on how a document is spelt.
func TestAHashIsOfTheContentHoweverItIsSpelt(t *testing.T) {
	t.Parallel()
	d := made(t, 2, 1)
	var spelt any
	if err := json.Unmarshal(d.Content.Readings[0], &spelt); err != nil {
		t.Fatal(err)
	}
	other, err := json.MarshalIndent(spelt, "", "   ")
	if err != nil {
		t.Fatal(err)
	}
	d.Content.Readings[0] = other
	if _, err := Read(d); err != nil {
		t.Errorf("spelt otherwise: %v", err)
	}
}

func FuzzRead(f *testing.F) {
	for _, d := range []Document{made(f, 1, 1), made(f, 0, 2)} {
		text, err := json.Marshal(d)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte(`{"schema":"pinwright-history/1","digests":{"vehicle":""},"content":{"vehicle":null,"joints":[null]}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var d Document
		if json.Unmarshal(text, &d) != nil {
			return
		}
		told, err := Read(d)
		if err != nil {
			return
		}
		// What holds together is told again with the same hash.
		again, err := seal(told.From, d.MadeAt, canonicalOf(told))
		if err != nil || again.Hash != d.Hash {
			t.Errorf("%s of %s: %v", again.Hash, d.Hash, err)
		}
	})
}

// canonicalOf is a document's content in its canonical form.
func canonicalOf(t *Told) Content {
	rows := func(name string) []json.RawMessage {
		var out []json.RawMessage
		for _, k := range t.texts[name] {
			out = append(out, json.RawMessage(k.text))
		}
		return out
	}
	return Content{Vehicle: rows("vehicle")[0], Joints: rows("joints"), Readings: rows("readings"), Voids: rows("voids"), WearEvents: rows("wear_events"), Distances: rows("distances"), Photos: rows("photos"), Records: rows("records")}
}
