package lending

import (
	"fmt"
	"strings"
	"time"
)

// What a reservation's approval can be.
const (
	notNeeded = "not_needed"
	awaited   = "awaited"
	given     = "given"
	declined  = "declined"
)

// State is how far r has come, by its lines that were not given up.
func (r Reservation) State() string {
	count := map[string]int{}
	for _, l := range r.Lines {
		count[l.State]++
	}
	reserved, out := count["reserved"], count["out"]
	switch {
	case r.Approval == declined && count["cancelled"] == len(r.Lines):
		return "declined"
	case count["cancelled"] == len(r.Lines):
		return "cancelled"
	case out > 0 && reserved > 0:
		return "partly_out"
	case out > 0:
		return "out"
	case reserved == 0 && count["returned"] == 0:
		return "lost"
	case reserved == 0:
		return "returned"
	case r.OfferUntil != nil:
		return "offered"
	case r.Approval == awaited:
		return "awaiting_approval"
	default:
		return "reserved"
	}
}

// DepositMinor is what is asked for altogether when the lines that are still
// reserved are handed out; of a choice the greatest.
func (r Reservation) DepositMinor() int64 {
	sum, choices := int64(0), map[int]int64{}
	for _, l := range r.Lines {
		switch {
		case l.State != "reserved" || l.DepositMinor == nil:
		case l.Choice != nil:
			choices[*l.Choice] = max(choices[*l.Choice], *l.DepositMinor)
		default:
			sum += *l.DepositMinor
		}
	}
	for _, most := range choices {
		sum += most
	}
	return sum
}

// Summary tells how r stands and what comes next.
func (r Reservation) Summary() string {
	var numbers []string
	var begins, decide *time.Time
	zone := time.UTC
	endangered := ""
	for _, l := range r.Lines {
		if l.State == "cancelled" {
			continue
		}
		numbers = append(numbers, l.ToolNumber)
		if l.State == "reserved" && (begins == nil || l.Period.From.Before(*begins)) {
			begins = &l.Period.From
			if l.zone != nil {
				zone = l.zone
			}
		}
		if l.State == "reserved" && l.DecideBy != nil && (decide == nil || l.DecideBy.Before(*decide)) {
			decide = l.DecideBy
		}
		if l.State == "reserved" && l.Endangered != "" {
			endangered = fmt.Sprintf(" %s may not be there (%s).", l.ToolNumber, l.Endangered)
		}
	}
	what := strings.Join(numbers, ", ")
	state := map[string]string{
		"offered": "offered; it waits for a yes", "awaiting_approval": "held until a tool keeper or an officer approves", "reserved": "reserved",
		"partly_out": "partly out; the rest is to be collected", "out": "out", "returned": "returned", "lost": "lost",
		"cancelled": "The reservation was cancelled; its tools are free", "declined": "The reservation was declined; its tools are free",
	}[r.State()]
	if len(numbers) == 0 {
		return sentence(state)
	}
	out := sentence(what+":", state)
	if begins != nil {
		out += " To be collected from " + inWords(*begins, zone) + "."
	}
	if decide != nil {
		out += " One of each choice is to be decided for by " + inWords(*decide, zone) + "."
	}
	return out + endangered
}
