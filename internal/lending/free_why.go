package lending

import (
	"fmt"
	"time"
)

// Failed is a time in which nothing of what was asked for can begin, and why.
type Failed struct {
	Period
	Because []Because
}

// Because is one reason why nothing can begin in a time.
type Because struct {
	Tool, Model string // Model alone: all tools of it; neither: all that is needed, together
	Reason      string
	Text        string // for people, without names of people
}

// Failed returns the times before the stretches, and behind the last where there
// are fewer than asked for; of CommonFree alone there are none.
func (f *Free) Failed() []Failed {
	out := []Failed{}
	last := 0
	for _, r := range f.rows.Items {
		if r.Reason == "" {
			continue
		}
		if r.K != last {
			out = append(out, Failed{Period: Period{From: r.At, Until: r.Until}.kept()})
			last = r.K
		}
		b := Because{Tool: r.Number, Reason: r.Reason, Text: f.inWords(r)}
		if r.OfModel {
			b.Model = r.Code
		}
		out[len(out)-1].Because = append(out[len(out)-1].Because, b)
	}
	return out
}

// inWords tells a reason in a sentence, by the clock where the tool is collected.
func (f *Free) inWords(r freeRow) string {
	zone := zoneNamed(r.TimeZone)
	during := func() string {
		switch until := inWords(*r.ReasonUntil, zone); {
		case r.Since == nil:
			return "until " + until
		case r.Times > 1:
			return fmt.Sprintf("%d times between %s and %s", r.Times, inWords(*r.Since, zone), until)
		default:
			return fmt.Sprintf("from %s until %s", inWords(*r.Since, zone), until)
		}
	}
	long := inHours(f.duration)
	switch r.Reason {
	case "reserved", "out":
		return sentence(r.Number, "is", r.Reason, during())
	case "late":
		return sentence(r.Number, "should be back already; it counts as back and clean from", inWords(*r.ReasonUntil, zone), "on, if nothing else is heard")
	case "cleaning":
		return sentence(r.Number, "needs time to be cleaned", during())
	case "travel":
		return sentence(r.Number, "needs time for the way between garages", during())
	case "calibration_due":
		return sentence(r.Number, "is to be calibrated before it is lent beyond", inWords(*r.Since, zone))
	case "closed":
		return sentence(r.Number, "is free, but no period of", long, "begins in that time while", r.Place, "is open and ends while it is open")
	case "too_few":
		return sentence("Of", r.Code, fmt.Sprintf("only %d is in service, and more are needed", r.Times))
	case "too_short":
		if r.Number == "" {
			return sentence("Each is free for", long, "in that time, but not all together while the garages are open")
		}
		longest := time.Duration(*r.Longest * float64(time.Second)).Round(time.Minute)
		return sentence(r.Number, "is free for", inHours(longest), "at most from then on, and needed for", long)
	}
	return sentence(r.Number, stateInWords[r.Reason]) // quarantine, lost, retired
}
