package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/calendar"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func calendarOut(k calendar.Calendar) Calendar {
	out := Calendar{Id: k.ID, Of: CalendarSubject(k.Shows), MemberId: k.MemberID, ToolId: k.ToolID, ToolNumber: k.ToolNumber,
		GarageId: k.GarageID, GarageCode: k.GarageCode, Names: k.Names, CreatedAt: k.CreatedAt, RevokedAt: k.RevokedAt}
	shows := map[calendar.Subject]string{calendar.OfMember: "What its maker has and will have", calendar.OfTool: "What becomes of tool " + or(k.ToolNumber, ""),
		calendar.OfGarage: "What garage " + or(k.GarageCode, "") + " hands out and takes back"}[k.Shows]
	switch {
	case k.RevokedAt != nil:
		out.Summary = shows + ". It was revoked and shows nothing any more."
	case k.Names:
		out.Summary = shows + ", with the names of who borrows. Whoever has the address sees it."
	default:
		out.Summary = shows + ", without names. Whoever has the address sees it."
	}
	return out
}

// ListCalendars implements the contract.
func (s *Server) ListCalendars(c echo.Context, _ InClub, _ ListCalendarsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := calendar.List(b, in.bearer, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(k calendar.Calendar) []string { return []string{k.ID.String()} })
			return in.listed(CalendarPage{Items: each(items, calendarOut), Next: next}, next), nil
		}
	})
}

// CreateCalendar implements the contract.
func (s *Server) CreateCalendar(c echo.Context, _ InClub) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[CalendarIn](in)
		earlier := calendar.Lock(b, body.Id)
		var tools *postgres.Rows[tool.Tool]
		var garages *postgres.Rows[club.Garage]
		if body.Tool != nil {
			tools = tool.Find(b, postgres.ParseRef(*body.Tool))
		}
		if body.Garage != nil {
			garages = club.FindGarage(b, postgres.ParseRef(*body.Garage))
		}
		print := sha256.Sum256(in.body)
		return func(tx *postgres.Tx) (answer, error) {
			if err := in.noDevice(); err != nil {
				return answer{}, err
			}
			k := calendar.Calendar{ID: body.Id, MemberID: in.caller.MemberID, Shows: calendar.Subject(body.Of), Names: or(body.Names, false), CreatedAt: tx.Now, Fingerprint: print[:]}
			if tools != nil {
				t, err := tools.OneOf("/tool", *body.Tool, func(t tool.Tool) string { return t.Number })
				if err != nil {
					return answer{}, err
				}
				k.ToolID, k.ToolNumber = &t.ID, &t.Number
			}
			if garages != nil {
				g, err := garages.OneOf("/garage", *body.Garage, func(g club.Garage) string { return g.Code })
				if err != nil {
					return answer{}, err
				}
				k.GarageID, k.GarageCode = &g.ID, &g.Code
			}
			if faults := subjectFaults(body); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			if len(earlier.Items) == 1 {
				was := earlier.Items[0]
				if was.MemberID != k.MemberID || !bytes.Equal(was.Fingerprint, k.Fingerprint) {
					return answer{}, problem.New(problem.IDUsed, "Make a new id for a new calendar.")
				}
				return ok(calendarOut(was)), nil
			}
			address := access.NewAddress(tx.Club)
			calendar.Make(tx, k, address)
			out := calendarOut(k)
			out.Url = pointerTo(s.calendarURL(c, address))
			return created(in.path("calendars", k.ID.String()), out).with("Cache-Control", "no-store"), nil
		}
	})
}

// subjectFaults says what of body does not go with what the calendar is of.
func subjectFaults(body CalendarIn) []problem.Fault {
	var faults []problem.Fault
	for _, of := range []struct {
		pointer string
		of      CalendarSubject
		given   bool
	}{{"/tool", CalendarSubjectTool, body.Tool != nil}, {"/garage", CalendarSubjectGarage, body.Garage != nil}} {
		switch {
		case body.Of == of.of && !of.given:
			faults = append(faults, problem.Fault{Pointer: of.pointer, Detail: "is missing: say which " + string(of.of) + " the calendar is of"})
		case body.Of != of.of && of.given:
			faults = append(faults, problem.Fault{Pointer: of.pointer, Detail: "is for a calendar with `of`: \"" + string(of.of) + "\"; leave it out, or change `of`"})
		}
	}
	if body.Of == CalendarSubjectMember && or(body.Names, false) {
		faults = append(faults, problem.Fault{Pointer: "/names", Detail: "is for the calendar of a tool or a garage; leave it out, since your own is about nobody else"})
	}
	return faults
}

// calendarURL is where the calendar at a is asked for. The suffix tells programs
// that look at names what it is.
func (s *Server) calendarURL(c echo.Context, a access.Address) string {
	return cmp.Or(s.publicURL, s.ownOrigin(c.Request())) + "/v1/calendars/" + a.Reveal() + ".ics"
}

// GetCalendar implements the contract.
func (s *Server) GetCalendar(c echo.Context, _ InClub, id InCalendar) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := calendar.Find(b, id)
		return func() (answer, error) {
			k, err := in.ownCalendar(row)
			return ok(calendarOut(k)), err
		}
	})
}

// RevokeCalendar implements the contract.
func (s *Server) RevokeCalendar(c echo.Context, _ InClub, id InCalendar) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := calendar.Lock(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			k, err := in.ownCalendar(row)
			if err != nil {
				return answer{}, err
			}
			return ok(calendarOut(calendar.Revoke(tx, in.caller.MemberID, k))), nil
		}
	})
}

// ownCalendar is the calendar if the caller may see that there is one.
func (in *call) ownCalendar(row *postgres.Rows[calendar.Calendar]) (calendar.Calendar, error) {
	k, err := row.One()
	if err == nil && k.MemberID != in.caller.MemberID && !in.caller.Has("officer") {
		err = problem.Absent()
	}
	return k, err
}

// GetCalendarFeed implements the contract. Whoever has the address sees it, so the
// address comes before everything else, and every other is answered alike.
func (s *Server) GetCalendarFeed(c echo.Context, text InCalendarAddress, _ GetCalendarFeedParams) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	address := access.Address(strings.TrimSuffix(text, ".ics"))
	of, known := address.Club()
	if !known {
		return calendar.ErrNone
	}
	in.club = of
	var found *calendar.Found
	if err := s.db.Read(in.ctx, of, func(b *postgres.Batch) { found = calendar.Look(b, address.Hash(), in.now) }); err != nil {
		return err
	}
	feed, err := found.Feed()
	if err != nil {
		return err
	}
	event := eventOf(c)
	event.club = of
	if event.credential != nil {
		s.quota.Confirm(*event.credential)
	}
	if invalid != nil {
		return invalid
	}
	body, err := feed.Bytes(s.calendarURL(c, address))
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body)
	a := answer{status: http.StatusOK, body: body, headers: map[string]string{
		"Content-Type":        calendar.MediaType,
		"Content-Disposition": `inline; filename="` + feed.ID.String() + `.ics"`,
		"ETag":                `"` + hex.EncodeToString(sum[:12]) + `"`,
	}}
	if matches(c.Request().Header.Get("If-None-Match"), a.headers["ETag"]) {
		send(c, http.StatusNotModified, a.headers, nil)
		return nil
	}
	return in.deliver(a)
}
