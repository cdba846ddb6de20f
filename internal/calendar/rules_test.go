package calendar_test

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// contentLine is a line of an iCalendar object, unfolded (RFC 5545, 3.1).
type contentLine struct {
	name   string
	params map[string]string
	value  string
}

var lineForm = regexp.MustCompile(`^([A-Za-z0-9-]+)((?:;[A-Za-z0-9-]+=(?:[^\x00-\x08\x0a-\x1f\x7f";:,]*|"[^\x00-\x08\x0a-\x1f\x7f"]*"))*):([^\x00-\x08\x0a-\x1f\x7f]*)$`)

// faultsOf are the rules of RFC 5545 and RFC 7986 that an iCalendar object of a
// feed breaks, each with its section.
func faultsOf(object string) []string {
	var faults []string
	fault := func(section, format string, args ...any) {
		faults = append(faults, section+": "+fmt.Sprintf(format, args...))
	}
	lines := unfold(object, fault)
	var open []string
	var components []map[string][]contentLine
	count, uids := 0, map[string]bool{}
	for i, l := range lines {
		switch {
		case l.name == "BEGIN":
			if (i == 0) != (l.value == "VCALENDAR") {
				fault("3.4", "line %d begins a %s", i+1, l.value)
			}
			open = append(open, l.value)
			components = append(components, map[string][]contentLine{})
			count++
		case len(open) == 0:
			fault("3.4", "%s stands outside", l.name)
		case l.name == "END":
			last := len(open) - 1
			if open[last] != l.value {
				fault("3.6", "%s ends a %s", l.value, open[last])
			}
			component(l.value, components[last], uids, fault)
			if last > 0 {
				components[last-1][l.value] = append(components[last-1][l.value], l)
			}
			open, components = open[:last], components[:last]
		default:
			last := len(open) - 1
			components[last][l.name] = append(components[last][l.name], l)
		}
	}
	if len(open) > 0 {
		fault("3.6", "%v is not ended", open)
	}
	if count < 2 {
		fault("3.6", "holds no component; icalbody has at least one")
	}
	return faults
}

// unfold takes an object apart into its content lines.
func unfold(object string, fault func(section, format string, args ...any)) []contentLine {
	if !strings.HasSuffix(object, "\r\n") {
		fault("3.1", "the last line does not end")
	}
	physical := strings.Split(strings.TrimSuffix(object, "\r\n"), "\r\n")
	var logical []string
	for n, line := range physical {
		if len(line) > 75 {
			fault("3.1", "line %d has %d octets", n+1, len(line))
		}
		if !utf8.ValidString(line) {
			fault("3.1", "line %d is cut within a character", n+1)
		}
		if strings.ContainsAny(line, "\r\n") {
			fault("3.1", "line %d holds a lone CR or LF", n+1)
		}
		if line == "" {
			fault("3.1", "line %d is empty", n+1)
		}
		if n > 0 && line != "" && (line[0] == ' ' || line[0] == '\t') {
			logical[len(logical)-1] += line[1:]
		} else {
			logical = append(logical, line)
		}
	}
	var out []contentLine
	for _, line := range logical {
		m := lineForm.FindStringSubmatch(line)
		if m == nil {
			fault("3.1", "%q is no content line", line)
			continue
		}
		l := contentLine{name: strings.ToUpper(m[1]), params: map[string]string{}, value: m[3]}
		for _, p := range strings.Split(m[2], ";")[1:] {
			name, value, _ := strings.Cut(p, "=")
			l.params[strings.ToUpper(name)] = value
		}
		out = append(out, l)
	}
	return out
}

// How often a property stands in a component: RFC 5545, 3.6 and 3.6.1, RFC 7986, 4.
var (
	once = map[string][]string{
		"VCALENDAR": {"PRODID", "VERSION"},
		"VEVENT":    {"UID", "DTSTAMP", "DTSTART"}, // DTSTART since no METHOD is given
		"VTIMEZONE": {"TZID"},
		"STANDARD":  {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO"},
	}
	atMostOnce = map[string][]string{
		"VCALENDAR": {"CALSCALE", "METHOD", "UID", "LAST-MODIFIED", "URL", "REFRESH-INTERVAL", "SOURCE", "COLOR", "NAME", "DESCRIPTION"}, // NAME and DESCRIPTION once in each language
		"VEVENT": {"CLASS", "CREATED", "DESCRIPTION", "GEO", "LAST-MODIFIED", "LOCATION", "ORGANIZER", "PRIORITY", "SEQUENCE", "STATUS", "SUMMARY", "TRANSP", "URL",
			"RECURRENCE-ID", "DTEND", "DURATION", "COLOR"},
	}
	texts     = []string{"PRODID", "NAME", "SUMMARY", "DESCRIPTION", "LOCATION", "UID", "STATUS", "TRANSP", "TZID", "X-WR-CALNAME", "X-WR-CALDESC"}
	escaped   = regexp.MustCompile(`^(?:[^\\;,]|\\[\\;,nN])*$`)                                                             // 3.3.11
	utcForm   = regexp.MustCompile(`^\d{8}T([01]\d|2[0-3])[0-5]\d([0-5]\d|60)Z$`)                                           // 3.3.5, form 2
	duration  = regexp.MustCompile(`^\+?P(\d+W|(\d+D)?(T(\d+H)?(\d+M)?(\d+S)?)?)$`)                                         // 3.3.6
	uriForm   = regexp.MustCompile(`^https?://[^\s"<>\\^{|}` + "`" + `]+$`)                                                 // RFC 3986
	eventWord = map[string][]string{"STATUS": {"TENTATIVE", "CONFIRMED", "CANCELLED"}, "TRANSP": {"OPAQUE", "TRANSPARENT"}} // 3.8.1.11, 3.8.2.7
)

func component(name string, has map[string][]contentLine, uids map[string]bool, fault func(section, format string, args ...any)) {
	for _, p := range once[name] {
		if n := len(has[p]); n != 1 {
			fault("3.6", "%s has %s %d times", name, p, n)
		}
	}
	for _, p := range atMostOnce[name] {
		if n := len(has[p]); n > 1 {
			fault("3.6", "%s has %s %d times", name, p, n)
		}
	}
	for _, lines := range has {
		for _, l := range lines {
			property(name, l, fault)
		}
	}
	one := func(p string) contentLine {
		if len(has[p]) == 0 {
			return contentLine{}
		}
		return has[p][0]
	}
	switch name {
	case "VCALENDAR":
		if v := one("VERSION").value; v != "2.0" {
			fault("3.7.4", "VERSION is %q", v)
		}
		if m := one("METHOD").value; m != "" && m != "PUBLISH" {
			fault("3.7.2", "METHOD is %q of what is only published", m)
		}
		if s := one("SOURCE"); s.value != "" && (s.params["VALUE"] != "URI" || !uriForm.MatchString(s.value)) {
			fault("RFC 7986, 5.8", "SOURCE is %v", s)
		}
		if r := one("REFRESH-INTERVAL"); r.value != "" && (r.params["VALUE"] != "DURATION" || !duration.MatchString(r.value)) {
			fault("RFC 7986, 5.7", "REFRESH-INTERVAL is %v", r)
		}
	case "VEVENT":
		start, end := one("DTSTART"), one("DTEND")
		if len(has["DTEND"]) > 0 && len(has["DURATION"]) > 0 {
			fault("3.6.1", "an event has DTEND and DURATION")
		}
		if len(has["DTEND"]) > 0 && (start.params["VALUE"] != end.params["VALUE"] || len(start.value) != len(end.value) || end.value <= start.value) {
			fault("3.8.2.2", "an event from %v until %v", start, end) // digits of equal length compare as what they stand for
		}
		if uid := one("UID").value; uids[uid] {
			fault("3.8.4.7", "the UID %s stands twice", uid)
		} else {
			uids[uid] = true
		}
	case "VTIMEZONE":
		if len(has["STANDARD"])+len(has["DAYLIGHT"]) == 0 {
			fault("3.6.5", "a time zone without an offset")
		}
	}
}

// property holds a property's value to its type.
func property(of string, l contentLine, fault func(section, format string, args ...any)) {
	switch {
	case slices.Contains(texts, l.name) && !escaped.MatchString(l.value):
		fault("3.3.11", "%s holds what must be escaped: %q", l.name, l.value)
	case l.name == "DTSTAMP" || l.name == "CREATED" || l.name == "LAST-MODIFIED":
		if !isMoment(l.value) {
			fault("3.8.7", "%s is %q, not in UTC", l.name, l.value)
		}
	case of == "VEVENT" && (l.name == "DTSTART" || l.name == "DTEND"):
		if l.params["VALUE"] == "DATE" {
			if _, err := time.Parse("20060102", l.value); err != nil {
				fault("3.3.4", "%s is %q", l.name, l.value)
			}
		} else if !isMoment(l.value) {
			fault("3.3.5", "%s is %q, not in UTC", l.name, l.value)
		}
	case l.name == "SEQUENCE":
		if n, err := strconv.ParseInt(l.value, 10, 32); err != nil || n < 0 {
			fault("3.8.7.4", "SEQUENCE is %q", l.value)
		}
	}
	if words := eventWord[l.name]; words != nil && !slices.Contains(words, l.value) {
		fault("3.8", "%s is %q", l.name, l.value)
	}
}

func isMoment(value string) bool {
	_, err := time.Parse("20060102T150405Z", value)
	return err == nil && utcForm.MatchString(value)
}

// sound is an object without a fault; its first event is the example of RFC 5545,
// 3.6.1 (from memory), with an end and in UTC.
const sound = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Example//NONSGML//EN\r\nNAME:Tools\r\nREFRESH-INTERVAL;VALUE=DURATION:PT1H\r\nSOURCE;VALUE=URI:https://a.example/b.ics\r\n" +
	"BEGIN:VEVENT\r\nUID:19970901T130000Z-123401@example.com\r\nDTSTAMP:19970901T130000Z\r\nDTSTART:19970903T163000Z\r\nDTEND:19970903T190000Z\r\nSUMMARY:Annual Employee Review\r\n" +
	"CLASS:PRIVATE\r\nCATEGORIES:BUSINESS,HUMAN RESOURCES\r\nSTATUS:CONFIRMED\r\nTRANSP:OPAQUE\r\nSEQUENCE:2\r\nEND:VEVENT\r\n" +
	"BEGIN:VEVENT\r\nUID:2\r\nDTSTAMP:19970901T130000Z\r\nDTSTART;VALUE=DATE:19971102\r\nDTEND;VALUE=DATE:19971103\r\nDESCRIPTION:Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared.\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"

// So that a calendar without faults proves something, each rule is broken once.
func TestEveryRuleFindsItsFault(t *testing.T) {
	t.Parallel()
	if faults := faultsOf(sound); len(faults) > 0 {
		t.Fatalf("a sound object is faulted: %v", faults)
	}
	for what, c := range map[string]struct{ old, new, section string }{
		"lines that end with LF":            {"\r\n", "\n", "3.1"},
		"an end without a line end":         {"END:VCALENDAR\r\n", "END:VCALENDAR", "3.1"},
		"a line of 76 octets":               {"Annual Employee Review", strings.Repeat("a", 68), "3.1"},
		"a character cut in two":            {"Annual", "\xc3\r\n \xa4", "3.1"},
		"a control character":               {"Annual", "\x07", "3.1"},
		"a line without a colon":            {"SUMMARY:", "SUMMARY ", "3.1"},
		"an empty line":                     {"SUMMARY", "\r\nSUMMARY", "3.1"},
		"a component that is not ended":     {"END:VEVENT\r\nBEGIN", "BEGIN", "3.6"},
		"no version":                        {"VERSION:2.0\r\n", "", "3.6"},
		"another version":                   {"2.0", "1.0", "3.7.4"},
		"no product":                        {"PRODID:-//Example//NONSGML//EN\r\n", "", "3.6"},
		"a method that asks for something":  {"NAME:Tools", "METHOD:REQUEST", "3.7.2"},
		"a source that is no URI":           {"https://a.example/b.ics", "b c", "RFC 7986, 5.8"},
		"a source whose type is not told":   {"SOURCE;VALUE=URI", "SOURCE", "RFC 7986, 5.8"},
		"an interval that is no duration":   {"PT1H", "1 hour", "RFC 7986, 5.7"},
		"no UID":                            {"UID:2\r\n", "", "3.6"},
		"the same UID twice":                {"UID:2", "UID:19970901T130000Z-123401@example.com", "3.8.4.7"},
		"no DTSTAMP":                        {"DTSTAMP:19970901T130000Z\r\nDTSTART;", "DTSTART;", "3.6"},
		"DTSTAMP at no certain time":        {"DTSTAMP:19970901T130000Z", "DTSTAMP:19970901T130000", "3.8.7"},
		"no DTSTART":                        {"DTSTART:19970903T163000Z\r\n", "", "3.6"},
		"a day that is none":                {"19971102", "19970231", "3.3.4"},
		"an hour that is none":              {"T163000Z", "T250000Z", "3.3.5"},
		"an end at the beginning":           {"19971103", "19971102", "3.8.2.2"},
		"an end of another type":            {"DTEND;VALUE=DATE:19971103", "DTEND:19971103T000000Z", "3.8.2.2"},
		"two summaries":                     {"CLASS:PRIVATE", "SUMMARY:Again", "3.6"},
		"a comma that is not escaped":       {"Annual Employee", "Annual, Employee", "3.3.11"},
		"a semicolon that is not escaped":   {"Annual Employee", "Annual; Employee", "3.3.11"},
		"a backslash that escapes nothing":  {`3B\nCome`, `3B\tCome`, "3.3.11"},
		"a status of a to-do":               {"STATUS:CONFIRMED", "STATUS:COMPLETED", "3.8"},
		"a transparency that is none":       {"TRANSP:OPAQUE", "TRANSP:BUSY", "3.8"},
		"a sequence below zero":             {"SEQUENCE:2", "SEQUENCE:-1", "3.8.7.4"},
		"no component":                      {sound[strings.Index(sound, "BEGIN:VEVENT"):strings.LastIndex(sound, "END:VCALENDAR")], "", "3.6"},
		"something behind the object's end": {"END:VCALENDAR\r\n", "END:VCALENDAR\r\nX-A:1\r\n", "3.4"},
	} {
		broken := strings.Replace(sound, c.old, c.new, 1)
		if c.old == "\r\n" {
			broken = strings.ReplaceAll(sound, c.old, c.new)
		}
		if broken == sound {
			t.Errorf("%s: nothing was broken", what)
		}
		if faults := faultsOf(broken); !slices.ContainsFunc(faults, func(f string) bool { return strings.HasPrefix(f, c.section+":") }) {
			t.Errorf("%s: found %v, want a fault by %s", what, faults, c.section)
		}
	}
}

// The example of folding in RFC 5545, 3.1 (from memory).
func TestUnfoldingTheExampleOfTheStandard(t *testing.T) {
	t.Parallel()
	lines := unfold("DESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line.\r\n", func(section, format string, args ...any) {
		t.Errorf(section+": "+format, args...)
	})
	if len(lines) != 1 || lines[0].value != "This is a long description that exists on a long line." {
		t.Errorf("%q", lines)
	}
}
