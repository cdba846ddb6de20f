package calendar

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
)

// MediaType is what Bytes is (RFC 5545, 8.1).
const MediaType = "text/calendar; charset=utf-8"

// product names who wrote a calendar (RFC 5545, 3.7.3).
const product = "-//Pinwright//Tool lending//EN"

// refresh is how often a calendar should be asked for again (RFC 7986, 5.7).
const refresh = "PT1H"

const (
	moment = "20060102T150405Z" // RFC 5545, 3.3.5, form 2
	date   = "20060102"         // RFC 5545, 3.3.4
)

// Bytes writes f, which is asked for again at source.
func (f Feed) Bytes(source string) ([]byte, error) {
	out := &ics.Calendar{}
	set := func(name, value string, params ...string) {
		out.CalendarProperties = append(out.CalendarProperties, ics.CalendarProperty{BaseProperty: property(name, value, params...)})
	}
	set("VERSION", "2.0") // RFC 5545, 3.7.4
	set("PRODID", product)
	set("CALSCALE", "GREGORIAN")
	set("UID", f.ID.String()) // RFC 7986, 5.3
	set("NAME", text(f.Name)) // RFC 7986, 5.1
	set("DESCRIPTION", text(f.About))
	set("REFRESH-INTERVAL", refresh, "VALUE", "DURATION")
	set("SOURCE", source, "VALUE", "URI") // RFC 7986, 5.8
	// What programs took before RFC 7986 had names for it, and many still do.
	set("X-WR-CALNAME", text(f.Name))
	set("X-WR-CALDESC", text(f.About))
	set("X-PUBLISHED-TTL", refresh)
	for _, e := range f.Events {
		out.Components = append(out.Components, e.component())
	}
	if len(f.Events) == 0 {
		// A calendar holds at least one component (RFC 5545, 3.6).
		out.Components = append(out.Components, utc())
	}
	var b strings.Builder
	if err := out.SerializeTo(&b, ics.WithNewLineWindows); err != nil {
		return nil, fmt.Errorf("calendar: %w", err)
	}
	return []byte(b.String()), nil
}

func (e Event) component() *ics.VEvent {
	var c ics.VEvent
	set := func(name, value string, params ...string) {
		c.Properties = append(c.Properties, ics.IANAProperty{BaseProperty: property(name, value, params...)})
	}
	at := func(name string, t time.Time) { set(name, t.UTC().Format(moment)) }
	set("UID", e.UID.String())
	at("DTSTAMP", e.Changed)
	if !e.Made.IsZero() {
		at("CREATED", e.Made)
	}
	at("LAST-MODIFIED", e.Changed)
	set("SEQUENCE", strconv.FormatInt(e.Sequence, 10))
	if e.WholeDays {
		set("DTSTART", e.From.Format(date), "VALUE", "DATE")
		set("DTEND", e.Until.Format(date), "VALUE", "DATE")
	} else {
		at("DTSTART", e.From)
		at("DTEND", e.Until)
	}
	set("SUMMARY", text(e.Summary))
	if e.About != "" {
		set("DESCRIPTION", text(e.About))
	}
	if e.Place != "" {
		set("LOCATION", text(e.Place))
	}
	set("CATEGORIES", text(e.Category))
	set("STATUS", string(e.Status))
	transparency := "TRANSPARENT"
	if e.Busy {
		transparency = "OPAQUE"
	}
	set("TRANSP", transparency)
	return &c
}

// utc is a component that shows nothing.
func utc() *ics.VTimezone {
	zone, standard := &ics.VTimezone{}, &ics.Standard{}
	zone.Properties = []ics.IANAProperty{{BaseProperty: property("TZID", "UTC")}}
	for _, p := range [][2]string{{"DTSTART", "19700101T000000"}, {"TZOFFSETFROM", "+0000"}, {"TZOFFSETTO", "+0000"}} {
		standard.Properties = append(standard.Properties, ics.IANAProperty{BaseProperty: property(p[0], p[1])})
	}
	zone.Components = []ics.Component{standard}
	return zone
}

func property(name, value string, params ...string) ics.BaseProperty {
	p := ics.BaseProperty{IANAToken: name, Value: value, ICalParameters: map[string][]string{}}
	for i := 0; i+1 < len(params); i += 2 {
		p.ICalParameters[params[i]] = []string{params[i+1]}
	}
	return p
}

// text is s without what a TEXT cannot hold: control characters but tab and line
// breaks (RFC 5545, 3.1, CONTROL), of which a calendar knows one kind (3.3.11).
// The library escapes the rest.
func text(s string) string {
	s = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.ToValidUTF8(s, "�"))
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f {
			return -1
		}
		return r
	}, s)
}
