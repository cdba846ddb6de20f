package reminder

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// dangers say what is wrong, after the tool's number.
var dangers = map[string]string{
	"late": "is late with another member", "quarantine": "is in quarantine", "lost": "is lost", "retired": "was retired", "calibration": "is due for calibration before then",
}

// Summary tells it in plain words.
func (r Reminder) Summary() string {
	what, zone := listed(r.Tools), zoneOf(r.TimeZone)
	it, is := "it", "is"
	if len(r.Tools) > 1 {
		it, is = "them", "are"
	}
	at := func(t time.Time) string {
		return t.In(zone).Format("Mon 2 Jan 2006 15:04") + " (" + zone.String() + ")"
	}
	day := r.ToldAt.In(zone).Format("Mon 2 Jan 2006")
	switch r.Kind {
	case "due_soon":
		return fmt.Sprintf("%s %s due back by %s. Bring %s back by then, or extend the loan if nobody waits for %s.", what, is, at(r.ToldAt), it, it)
	case "late":
		return fmt.Sprintf("%s was due back by %s and is late. Bring it back, or tell a tool keeper where it is. This is reminder %d of %d.", what, at(r.ToldAt), r.turn(), lateTurns)
	case "begins_soon":
		return fmt.Sprintf("Your reservation of %s begins on %s. Collect %s then, or cancel so that others can have %s.", what, at(r.ToldAt), it, it)
	case "offer":
		return fmt.Sprintf("%s %s held for you from %s. Accept the offer by %s, or decline it; after that %s offered to the next who waits.", what, is, at(r.ToldAt), at(r.DueAt), strings.Replace(it+" is", "them is", "they are", 1))
	case "endangered":
		if r.Detail == "calibration" && len(r.Tools) > 1 {
			return fmt.Sprintf("Your reservation of %s, which begins on %s, is in danger: they are due for calibration before then. Look for others, or ask a tool keeper.", what, at(r.ToldAt))
		}
		return fmt.Sprintf("Your reservation of %s, which begins on %s, is in danger: %s. Look for another tool or another time, or ask a tool keeper.", what, at(r.ToldAt), danger(r.Detail, len(r.Tools) > 1))
	case "moved":
		return fmt.Sprintf("Your reservation that begins on %s was moved to another tool of the same model. It is now of %s.", at(r.ToldAt), what)
	case "approval":
		if r.Detail == "declined" {
			return fmt.Sprintf("Your reservation of %s, which was to begin on %s, was not approved; %s free again. Ask a tool keeper why.", what, at(r.ToldAt), strings.Replace(it+" is", "them is", "they are", 1))
		}
		return fmt.Sprintf("Your reservation of %s, which begins on %s, was approved.", what, at(r.ToldAt))
	case "to_approve":
		return fmt.Sprintf("A reservation of %s, which begins on %s, waits for an approval. Approve or decline it; until then %s held.", what, at(r.ToldAt), strings.Replace(it+" is", "them is", "they are", 1))
	case "choice":
		return fmt.Sprintf("Decide by %s which of %s you want; after that the first of your choice stays and the others are free again.", at(r.DueAt), what)
	case "calibration":
		return fmt.Sprintf("The calibration of %s falls due on %s. Until it is calibrated again nothing is promised beyond that day.", what, day)
	case "inspection":
		return fmt.Sprintf("The inspection of %s falls due on %s.", what, day)
	}
	return what
}

func danger(detail string, several bool) string {
	words := dangers[detail]
	if several {
		return "each of them " + words
	}
	return "it " + words
}

// lateTurns is how often a member is told that a tool is late.
const lateTurns = 5

// turn is which of the reminders of a late tool this is. Two days by a clock may
// be an hour longer or shorter than 48.
func (r Reminder) turn() int {
	return 1 + int(math.Round(r.DueAt.Sub(r.ToldAt).Hours()/48))
}

// subjects head a letter; %s is what it is about.
var subjects = map[string]string{
	"due_soon": "%s due back soon", "late": "%s late", "begins_soon": "reservation of %s begins soon", "offer": "%s offered to you", "endangered": "reservation of %s in danger",
	"moved": "reservation moved to %s", "approval": "reservation of %s decided", "to_approve": "reservation of %s waits for an approval", "choice": "choose between %s", "calibration": "calibration of %s falls due", "inspection": "inspection of %s falls due",
}

// listed joins numbers as people do, and cuts a long list short.
func listed(tools []string) string {
	const most = 6
	switch n := len(tools); {
	case n == 0:
		return "A tool"
	case n == 1:
		return tools[0]
	case n > most:
		return fmt.Sprintf("%s and %d more", strings.Join(tools[:most], ", "), n-most)
	default:
		return strings.Join(tools[:n-1], ", ") + " and " + tools[n-1]
	}
}
