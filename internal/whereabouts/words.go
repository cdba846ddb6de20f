package whereabouts

import (
	"fmt"
	"strings"
	"time"
)

// At spells a moment by the clock of zone, without the year while it is that of
// now.
func At(t, now time.Time, zone *time.Location) string {
	local := t.In(zone)
	if local.Year() == now.In(zone).Year() {
		return local.Format("Mon 2 Jan 15:04")
	}
	return local.Format("Mon 2 Jan 2006 15:04")
}

// count says how many there are, with the word for one or several.
func count(n int, one, several string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, several)
}

// Who names who has or gets l, and who answers for a guest.
func (l Line) Who() string {
	who := l.MemberName + " (" + l.MemberNumber + ")"
	if l.HostName != nil && l.HostNumber != nil {
		who += ", guest of " + *l.HostName + " (" + *l.HostNumber + ")"
	}
	return who
}

// dangers say in words why a promised tool may not be there.
var dangers = map[string]string{
	"late":        "it may not be back in time",
	"quarantine":  "it is in quarantine",
	"lost":        "it is lost",
	"retired":     "it was retired",
	"calibration": "its calibration runs out",
}

// Text tells of l in one sentence.
func (l Line) Text(now time.Time, zone *time.Location) string {
	text := fmt.Sprintf("%s (%s): ", l.ToolNumber, l.ModelName)
	switch {
	case l.LoanID == nil:
		text += fmt.Sprintf("for %s, %s to %s", l.Who(), At(l.BeginsAt, now, zone), At(l.EndsAt, now, zone))
	case l.IsLate(now):
		text += fmt.Sprintf("with %s, was due %s", l.Who(), At(l.EndsAt, now, zone))
	default:
		text += fmt.Sprintf("with %s, due %s", l.Who(), At(l.EndsAt, now, zone))
	}
	if why := dangers[l.Endangered]; why != "" {
		text += "; " + why
	}
	if l.LoanID == nil && l.Approval == "awaited" {
		text += "; an approval is awaited"
	}
	return text + "."
}

// Text tells of t in one sentence, at day.
func (t ToInspect) Text(day time.Time) string {
	var why []string
	for _, r := range t.Reasons(day) {
		switch r {
		case "quarantine":
			why = append(why, "in quarantine")
		case "inspection_due":
			why = append(why, "inspection due "+t.InspectionDueOn.Format("2 Jan 2006"))
		case "calibration_due":
			why = append(why, "calibration due "+t.CalibrationDueOn.Format("2 Jan 2006"))
		}
	}
	return fmt.Sprintf("%s (%s): %s.", t.ToolNumber, t.ModelName, strings.Join(why, ", "))
}

// Summary tells of the day in a few sentences.
func (d Day) Summary() string {
	var parts []string
	add := func(n int, one, several string) {
		if n > 0 {
			parts = append(parts, count(n, one, several))
		}
	}
	add(len(d.GoingOut), "tool goes out", "tools go out")
	add(len(d.Back), "comes back", "come back")
	add(len(d.Late), "is late", "are late")
	add(len(d.Out), "more is out", "more are out")
	add(len(d.ToInspect), "is to be inspected", "are to be inspected")
	day := "On " + d.Garage.Day.Format("Mon 2 Jan 2006")
	if d.IsToday {
		day = "Today, " + d.Garage.Day.Format("Mon 2 Jan 2006")
	}
	text := fmt.Sprintf("%s, at %s: ", day, d.Garage.Name)
	if len(parts) == 0 {
		text += "nothing goes out, nothing is due back and nothing is to be inspected."
	} else {
		text += strings.Join(parts, ", ") + "."
	}
	endangered := 0
	for _, l := range d.GoingOut {
		if l.Endangered != "" {
			endangered++
		}
	}
	if endangered > 0 {
		text += " Of what goes out, " + count(endangered, "may not be there.", "may not be there.")
	}
	if n := len(d.Approvals); n > 0 {
		text += " " + count(n, "tool awaits an approval.", "tools await an approval.")
	}
	if n := len(d.Offers); n > 0 {
		text += " " + count(n, "tool is offered to somebody who waits.", "tools are offered to somebody who waits.")
	}
	if d.CutOff {
		text += fmt.Sprintf(" There is more than is shown: %d of a kind at most.", most)
	}
	return text
}
