package api

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/whereabouts"
)

// toolNow is ToolNow, made of the tool that every other answer shows.
type toolNow struct {
	Tool
	Where ToolWhere `json:"where"`
	Next  *ToolNext `json:"next,omitempty"`
	May   []ToolMay `json:"may"`
}

func toolNowOut(in *call, t tool.Tool, s whereabouts.Standing) toolNow {
	out := toolNow{Tool: toolOut(in, t), Where: ToolWhere{GarageId: s.GarageID, Garage: s.GarageCode, Text: s.Text(in.now)}}
	if s.IsOut() {
		out.Where.With = pointerTo(personOut(*s.HolderID, *s.HolderNumber, *s.HolderName, s.HostID, s.HostNumber, s.HostName))
		out.Where.LoanId, out.Where.Since, out.Where.Due, out.Where.Late = s.LoanID, s.CollectedAt, s.DueAt, pointerTo(s.IsLate(in.now))
	}
	if s.NextReservationID != nil {
		out.Next = &ToolNext{ReservationId: *s.NextReservationID, From: *s.NextFrom, Until: *s.NextUntil,
			Member: personOut(*s.NextID, *s.NextNumber, *s.NextName, s.NextHostID, s.NextHostNumber, s.NextHostName)}
		if s.NextEndangered != nil {
			out.Next.Endangered = pointerTo(Endangered(*s.NextEndangered))
		}
	}
	who := whereabouts.Who{MemberID: in.caller.MemberID, Roles: in.caller.Roles, MayWrite: access.Covers(in.caller.Scopes, "write")}
	out.May = each(s.May(who), func(a whereabouts.Act) ToolMay {
		return ToolMay{Act: ToolMayAct(a.Name), May: a.WhyNot == "", WhyNot: present(a.WhyNot)}
	})
	return out
}

// GetTool implements the contract.
func (s *Server) GetTool(c echo.Context, _ InClub, name InTool, _ GetToolParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(name)
		row := tool.Find(b, ref)
		standing := whereabouts.FindStanding(b, ref, in.now)
		return func() (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			at, err := standing.One()
			if err != nil {
				return answer{}, err
			}
			body := toolNowOut(in, t, at)
			text, err := render(body)
			if err != nil {
				return answer{}, err
			}
			// The version is the tool's own, for If-Match; where it is changes without one.
			sum := sha256.Sum256(text)
			tag := strings.TrimSuffix(entityTag(t.Version, in.caller.Units), `"`) + "." + hex.EncodeToString(sum[:12]) + `"`
			return ok(body).with("ETag", tag).with("Vary", "Origin, Authorization"), nil // what may be done depends on who asks
		}
	})
}

func episodeOut(e whereabouts.Episode) ToolEpisode {
	out := ToolEpisode{At: e.At.UTC(), What: ToolEpisodeWhat(e.What), MemberId: e.MemberID, MemberNumber: e.MemberNumber, MemberName: e.MemberName, By: e.ByNumber,
		Garage: e.GarageCode, Home: e.HomeCode, DueOn: dateOut(e.DueOn), Note: present(e.Note), Text: e.Text()}
	if e.What != "changed" { // a change has no address
		out.Id = &e.ID
	}
	if e.State != nil {
		out.State = pointerTo(ToolState(*e.State))
	}
	if e.Condition != nil {
		out.Condition = pointerTo(ToolEpisodeCondition(*e.Condition))
	}
	if e.What == "came_back" {
		out.Late = &e.Late
	}
	return out
}

// behind is where a history continues.
func (in *call) behind(p page) whereabouts.Behind {
	if p.after == nil {
		return whereabouts.First
	}
	at, err := time.Parse(time.RFC3339Nano, p.after[0])
	id, err2 := uuid.Parse(p.after[1])
	if err != nil || err2 != nil {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
	}
	return whereabouts.Behind{At: at, ID: id, What: p.after[2]}
}

// ListToolHistory implements the contract.
func (s *Server) ListToolHistory(c echo.Context, _ InClub, name InTool, _ ListToolHistoryParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(3)
		ref := postgres.ParseRef(name)
		tools := tool.Find(b, ref)
		rows := whereabouts.ListHistory(b, ref, in.behind(p), p.limit+1)
		return func() (answer, error) {
			if _, err := tools.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(e whereabouts.Episode) []string {
				return []string{e.At.UTC().Format(time.RFC3339Nano), e.ID.String(), e.What}
			})
			return in.listed(ToolEpisodePage{Items: each(items, episodeOut), Next: next}, next), nil
		}
	})
}
