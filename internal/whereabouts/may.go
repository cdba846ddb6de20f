package whereabouts

import (
	"fmt"
	"slices"

	"github.com/google/uuid"
)

// Who is somebody who asks what they may do.
type Who struct {
	MemberID uuid.UUID
	Roles    []string
	MayWrite bool // their token lets them
}

func (w Who) has(roles ...string) bool {
	return slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(w.Roles, r) })
}

// Act is something that can be done with a tool, and why it cannot be now; empty
// when it can.
type Act struct {
	Name   string
	WhyNot string
}

// May is what w may do with the tool now, as its state and their role decide.
// Whatever else an act needs (a free period, a certificate, an approval) is
// looked at when it is tried.
func (s Standing) May(w Who) []Act {
	keeper := w.has("tool_keeper", "officer")
	holder := s.HolderID != nil && *s.HolderID == w.MemberID
	notInService := map[string]string{"quarantine": "It is in quarantine until a keeper has inspected it.", "lost": "It is lost.", "retired": "It was retired."}[s.State]
	first := func(reasons ...string) string {
		for _, r := range reasons {
			if r != "" {
				return r
			}
		}
		return ""
	}
	when := func(condition bool, reason string) string {
		if condition {
			return reason
		}
		return ""
	}
	onlyKeepers := when(!keeper, "That is a tool keeper's or an officer's; ask one.")
	inHouse := when(!s.IsOut(), "It is not out.")
	out := ""
	if s.IsOut() {
		out = fmt.Sprintf("%s has it.", named(s.HolderName, s.HolderNumber, s.HostName, s.HostNumber))
	}
	acts := []Act{
		{"reserve", first(when(!keeper && !w.has("member"), "That needs the role member, tool_keeper or officer."), notInService)},
		{"hand_out", first(onlyKeepers, out, notInService)},
		{"take_back", first(onlyKeepers, inHouse)},
		{"extend", first(inHouse, when(!keeper && !holder, "Who has it can do that, or a tool keeper or an officer."))},
		{"hand_over", first(inHouse, when(!holder, "Only who has it can offer it to another."))},
		{"report_lost", first(when(s.State == "lost", "It is lost already."), when(s.State == "retired", "It was retired."), inHouse, onlyKeepers)},
		{"found", first(onlyKeepers, when(s.State != "lost", "It is not lost."))},
		{"inspect", first(onlyKeepers, when(s.State == "lost", "It is lost."), when(s.State == "retired", "It was retired."))},
	}
	if !w.MayWrite {
		for i := range acts {
			acts[i].WhyNot = "The token that asks only looks; that needs one with the scope write."
		}
	}
	return acts
}
