package calendar_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/apognu/gocal"
	"github.com/emersion/go-ical"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"pgregory.net/rapid"

	"pinwright/internal/calendar"
)

const source = "https://garages.example/v1/calendars/pwa_AAAA_00000000.ics"

// read is an event as a parser understood it.
type read struct {
	UID, Summary, About, Place, Status string
	From, Until, Changed               time.Time
	Sequence                           int
}

// byEmersion reads a calendar with github.com/emersion/go-ical.
func byEmersion(t testing.TB, object []byte) []read {
	t.Helper()
	c, err := ical.NewDecoder(bytes.NewReader(object)).Decode()
	if err != nil {
		t.Fatalf("go-ical: %v\n%s", err, object)
	}
	var out []read
	for _, e := range c.Events() {
		get := func(name string) string {
			text, err := e.Props.Text(name)
			if err != nil {
				t.Fatalf("go-ical: %s: %v\n%s", name, err, object)
			}
			return text
		}
		at := func(name string) time.Time {
			v, err := e.Props.DateTime(name, time.UTC)
			if err != nil {
				t.Fatalf("go-ical: %s: %v\n%s", name, err, object)
			}
			return v
		}
		sequence := e.Props.Get("SEQUENCE")
		n, err := sequence.Int()
		if err != nil {
			t.Fatalf("go-ical: SEQUENCE: %v", err)
		}
		out = append(out, read{UID: get("UID"), Summary: get("SUMMARY"), About: get("DESCRIPTION"), Place: get("LOCATION"), Status: get("STATUS"),
			From: at("DTSTART"), Until: at("DTEND"), Changed: at("DTSTAMP"), Sequence: n})
	}
	return out
}

// byGocal reads a calendar with github.com/apognu/gocal, which does not undo \n and
// takes \\ for the beginning of another escape; and its ends of days lie a
// millisecond earlier.
func byGocal(t testing.TB, object []byte) []read {
	t.Helper()
	p := gocal.NewParser(bytes.NewReader(object))
	p.SkipBounds = true
	if err := p.Parse(); err != nil {
		t.Fatalf("gocal: %v\n%s", err, object)
	}
	var out []read
	for _, e := range p.Events {
		until := *e.End
		if e.RawEnd.Params["VALUE"] == "DATE" {
			until = until.Add(time.Millisecond)
		}
		out = append(out, read{UID: e.Uid, Summary: e.Summary, About: e.Description, Place: e.Location, Status: e.Status, From: *e.Start, Until: until, Changed: *e.Stamp, Sequence: e.Sequence})
	}
	return out
}

// asGocalHasIt is what gocal makes of a text that is escaped by RFC 5545, 3.3.11.
func asGocalHasIt(text string) string {
	var b strings.Builder
	for _, r := range text {
		switch r {
		case '\n':
			b.WriteString(`\n`)
		case '\\', ';', ',':
			b.WriteRune('\\')
			b.WriteRune(r)
		default:
			b.WriteRune(r)
		}
	}
	s := b.String()
	for _, c := range []string{`\`, `;`, `,`} {
		s = strings.ReplaceAll(s, `\`+c, c)
	}
	return s
}

// asRead is what a parser should make of e.
func asRead(e calendar.Event) read {
	second := func(t time.Time) time.Time { return t.UTC().Truncate(time.Second) }
	return read{UID: e.UID.String(), Summary: e.Summary, About: e.About, Place: e.Place, Status: string(e.Status), From: second(e.From), Until: second(e.Until), Changed: second(e.Changed), Sequence: int(e.Sequence)}
}

// hold writes f and holds it to the rules and to both parsers; it returns the bytes.
func hold(t testing.TB, f calendar.Feed) []byte {
	t.Helper()
	object, err := f.Bytes(source)
	if err != nil {
		t.Fatal(err)
	}
	for _, fault := range faultsOf(string(object)) {
		t.Errorf("RFC 5545, %s\n%s", fault, object)
	}
	var want, wantOfGocal []read
	for _, e := range f.Events {
		w := asRead(e)
		want = append(want, w)
		w.Summary, w.About, w.Place = asGocalHasIt(w.Summary), asGocalHasIt(w.About), asGocalHasIt(w.Place)
		wantOfGocal = append(wantOfGocal, w)
	}
	if diff := cmp.Diff(want, byEmersion(t, object)); diff != "" {
		t.Errorf("read by go-ical (-written +read):\n%s", diff)
	}
	if diff := cmp.Diff(wantOfGocal, byGocal(t, object)); diff != "" {
		t.Errorf("read by gocal (-written +read):\n%s", diff)
	}
	return object
}

func anEvent(summary, about, place string) calendar.Event {
	at := time.Date(2026, 5, 1, 16, 30, 0, 0, time.UTC)
	return calendar.Event{UID: uuid.NewSHA1(uuid.Nil, []byte(summary+about)), Made: at.Add(-time.Hour), Changed: at, Sequence: 3, Status: calendar.Confirmed,
		From: at, Until: at.Add(48 * time.Hour), Summary: summary, About: about, Place: place, Category: "Reservation", Busy: true}
}

func TestTheBytesOfACalendar(t *testing.T) {
	t.Parallel()
	days := anEvent("Calibration due: micrometer, tool M-7", "", "")
	days.WholeDays, days.From, days.Until = true, time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC), time.Date(2026, 5, 5, 0, 0, 0, 0, time.UTC)
	days.Busy, days.Made, days.Status = false, time.Time{}, calendar.Cancelled
	got := hold(t, calendar.Feed{ID: uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b5"), Name: "Tools from Hollow Lane Garages", About: "What you have; and will have",
		Events: []calendar.Event{anEvent("Reserved: 9 mm reamer, tool R-1", "Collect it at North yard.\nBring it back; clean, please \\ thanks.", "North yard, 4 Hollow Lane"), days}})
	want := strings.ReplaceAll(`BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Pinwright//Tool lending//EN
CALSCALE:GREGORIAN
UID:0192f0c1-2a3b-7c4d-8e5f-60718293a4b5
NAME:Tools from Hollow Lane Garages
DESCRIPTION:What you have\; and will have
REFRESH-INTERVAL;VALUE=DURATION:PT1H
SOURCE;VALUE=URI:https://garages.example/v1/calendars/pwa_AAAA_00000000.ics
X-WR-CALNAME:Tools from Hollow Lane Garages
X-WR-CALDESC:What you have\; and will have
X-PUBLISHED-TTL:PT1H
BEGIN:VEVENT
UID:`+anEvent("Reserved: 9 mm reamer, tool R-1", "Collect it at North yard.\nBring it back; clean, please \\ thanks.", "").UID.String()+`
DTSTAMP:20260501T163000Z
CREATED:20260501T153000Z
LAST-MODIFIED:20260501T163000Z
SEQUENCE:3
DTSTART:20260501T163000Z
DTEND:20260503T163000Z
SUMMARY:Reserved: 9 mm reamer\, tool R-1
DESCRIPTION:Collect it at North yard.\nBring it back\; clean\, please \\
  thanks.
LOCATION:North yard\, 4 Hollow Lane
CATEGORIES:Reservation
STATUS:CONFIRMED
TRANSP:OPAQUE
END:VEVENT
BEGIN:VEVENT
UID:`+days.UID.String()+`
DTSTAMP:20260501T163000Z
LAST-MODIFIED:20260501T163000Z
SEQUENCE:3
DTSTART;VALUE=DATE:20260504
DTEND;VALUE=DATE:20260505
SUMMARY:Calibration due: micrometer\, tool M-7
CATEGORIES:Reservation
STATUS:CANCELLED
TRANSP:TRANSPARENT
END:VEVENT
END:VCALENDAR
`, "\n", "\r\n")
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// An object holds one component at least (RFC 5545, 3.6), so a calendar in which
// nothing is has one that shows nothing.
func TestACalendarInWhichNothingIs(t *testing.T) {
	t.Parallel()
	object := hold(t, calendar.Feed{Name: "Tools", About: "None"})
	if strings.Contains(string(object), "VEVENT") || !strings.Contains(string(object), "BEGIN:VTIMEZONE") {
		t.Errorf("%s", object)
	}
}

// The example of RFC 5545, 3.3.11 (from memory), and texts at the edges of lines.
func TestTextsComeBack(t *testing.T) {
	t.Parallel()
	object := hold(t, calendar.Feed{Events: []calendar.Event{anEvent("x", "Project XYZ Final Review\nConference Room - 3B\nCome Prepared.", "")}})
	if !strings.Contains(string(object), `DESCRIPTION:Project XYZ Final Review\nConference Room - 3B\nCome Prepared.`+"\r\n") {
		t.Errorf("RFC 5545, 3.3.11 escapes otherwise:\n%s", object)
	}
	for n := range 90 {
		for _, with := range []string{"a", "ä", "漢", "😀", ";", "\\", "\n", " "} {
			hold(t, calendar.Feed{Events: []calendar.Event{anEvent("s"+strings.Repeat("b", n)+with+with+"c", "d"+strings.Repeat(with, n)+"e", "p"+strings.Repeat("ö", n)+with+"e")}})
		}
	}
}

// What no TEXT can hold goes (RFC 5545, 3.1 and 3.3.11).
func TestTextsThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	for have, want := range map[string]string{"a\r\nb": "a\nb", "a\rb": "a\nb", "a\x00b\x1bc\x7fd": "abcd", "a\tb": "a\tb", "a\xffb": "a�b", "a\u0085b": "a\u0085b"} {
		object, err := calendar.Feed{Events: []calendar.Event{anEvent(have, "", "")}}.Bytes(source)
		if err != nil {
			t.Fatal(err)
		}
		for _, fault := range faultsOf(string(object)) {
			t.Errorf("%q: RFC 5545, %s", have, fault)
		}
		if got := byEmersion(t, object)[0].Summary; got != want {
			t.Errorf("%q comes back as %q, want %q", have, got, want)
		}
	}
}

// FuzzTexts writes any text into every place that takes one: it comes back from both
// parsers, and the object keeps the rules.
func FuzzTexts(f *testing.F) {
	for _, seed := range []string{"", "a", strings.Repeat("ä", 100), "BEGIN:VEVENT\r\nEND:VCALENDAR", `\n\\n\,`, "a;b,c:d\"e", "\xf0\x9f", "  two", "\ttab", "X-A;B=C:d", "<a href='b'>c</a>" + strings.Repeat(" d", 60)} {
		f.Add(seed, seed)
	}
	f.Fuzz(func(t *testing.T, summary, about string) {
		if len(summary)+len(about) > 20000 {
			return
		}
		written := func(s string) string { return "T" + plain(s) }
		hold(t, calendar.Feed{Name: plain(summary), About: plain(about), Events: []calendar.Event{
			anEvent(written(summary), written(about), written(summary+about)), anEvent("second", written(summary), written(about))}})
	})
}

// plain is s without what a TEXT cannot hold.
func plain(s string) string {
	if !utf8.ValidString(s) {
		s = strings.ToValidUTF8(s, "?")
	}
	var b strings.Builder
	for _, r := range s {
		if r == '\t' || r == '\n' || r >= ' ' && r != 0x7f {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Any events at all, in any number, come back.
func TestAnyEventsComeBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		var f calendar.Feed
		f.Name, f.About = rapid.String().Draw(r, "name"), rapid.String().Draw(r, "about")
		for i := range rapid.IntRange(0, 8).Draw(r, "events") {
			e := anEvent("T"+plain(rapid.String().Draw(r, "summary")), "T"+plain(rapid.String().Draw(r, "about")), "T"+plain(rapid.String().Draw(r, "place")))
			e.UID = uuid.NewSHA1(uuid.Nil, fmt.Append(nil, i))
			e.From = time.Unix(rapid.Int64Range(0, 4e9).Draw(r, "from"), 0).UTC()
			e.Until = e.From.Add(time.Duration(rapid.IntRange(1, 1e7).Draw(r, "seconds")) * time.Second)
			e.Sequence = rapid.Int64Range(0, 1<<31-1).Draw(r, "sequence")
			e.Status = rapid.SampledFrom([]calendar.Status{calendar.Confirmed, calendar.Tentative, calendar.Cancelled}).Draw(r, "status")
			f.Events = append(f.Events, e)
		}
		hold(t, f)
	})
}
