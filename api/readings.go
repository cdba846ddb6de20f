package api

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
)

func readingOut(r reading.Reading, units string) Reading {
	out := Reading{Id: r.ID, FeatureId: r.FeatureID, JointId: r.JointID, Kind: ReadingKind(r.Kind), Size: lengthOut(r.Size, units),
		With: word[Method](r.Method), InstrumentId: r.InstrumentID, Station: word[Station](r.Station), Direction: r.DirectionDegrees,
		End: word[ReadingEnd](r.EndTried), PartLength: r.PartLength, Deburred: r.Deburred, Stage: Stage(r.Stage), Surface: Surface(r.Surface),
		TemperatureCelsius: r.TemperatureCelsius, TakenAt: r.TakenAt.UTC(), ReceivedAt: r.ReceivedAt.UTC(), MemberId: r.MemberID,
		Assumed: each(r.Remarks(), remarkOut)}
	if r.OriginID != nil {
		out.Origin = &Elsewhere{ClubId: *r.OriginID, Text: "It came with the vehicle from another club, and was measured there."}
	}
	out.Entered.Value, out.Entered.Unit = json.Number(r.Entered), Unit(r.EnteredUnit)
	if q := r.Question(); q != nil {
		out.Doubtful = pointerTo(remarkOut(*q))
	}
	if r.VoidAt != nil {
		out.Void = &struct {
			At         time.Time `json:"at"`
			Reason     string    `json:"reason"`
			ReplacedBy *Id       `json:"replaced_by,omitempty"`
		}{r.VoidAt.UTC(), *r.VoidReason, r.ReplacedBy}
	}
	return out
}

// word converts an optional word of the database to one of the contract.
func word[T ~string](s *string) *T {
	if s == nil {
		return nil
	}
	return pointerTo(T(*s))
}

// ListReadings implements the contract.
func (s *Server) ListReadings(c echo.Context, _ InClub, params ListReadingsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		after, afterID := in.pageTime(p)
		f := reading.Filter{Vehicle: refOf(params.Vehicle), Joint: refOf(params.Joint), Instrument: refOf(params.Instrument),
			Feature: params.Feature, From: params.From, Until: params.Until}
		list := reading.List(b, f, after, afterID, p.limit+1)
		return func() (answer, error) {
			found, err := list.Items()
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, found, func(r reading.Reading) []string {
				return []string{r.TakenAt.UTC().Format(time.RFC3339Nano), r.ID.String()}
			})
			return in.listed(ReadingPage{Items: each(items, func(r reading.Reading) Reading { return readingOut(r, in.caller.Units) }), Next: next}, next), nil
		}
	})
}

// endOfTime lies behind whatever the contract takes as a time.
var endOfTime = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// pageTime is where a list that is ordered by time and id downwards continues.
func (in *call) pageTime(p page) (time.Time, uuid.UUID) {
	at, wrongTime := time.Parse(time.RFC3339Nano, p.key(0, endOfTime.Format(time.RFC3339Nano)))
	id, wrongID := uuid.Parse(p.key(1, greatestID.String()))
	if errors.Join(wrongTime, wrongID) != nil {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
	}
	return at, id
}

func refOf(name *string) *postgres.Ref {
	if name == nil {
		return nil
	}
	return pointerTo(postgres.ParseRef(*name))
}

// GetReading implements the contract.
func (s *Server) GetReading(c echo.Context, _ InClub, id InReading, _ GetReadingParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := reading.Find(b, id)
		return func() (answer, error) {
			r, err := row.One()
			if err != nil {
				return answer{}, err
			}
			return ok(readingOut(r, in.caller.Units)).versioned(r.Version(), in.caller.Units), nil
		}
	})
}

// mayVoid allows members their own readings and whoever keeps the tools or runs
// the club all of them.
func (in *call) mayVoid(r reading.Reading) error {
	if r.MemberID == in.caller.MemberID || in.caller.Has("tool_keeper", "officer") {
		return nil
	}
	return problem.New(problem.MissingRole, "Another member took this reading. Ask that member, or a tool_keeper or officer, to void or replace it.")
}

// VoidReading implements the contract.
func (s *Server) VoidReading(c echo.Context, _ InClub, id InReading, _ VoidReadingParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[VoidIn](in)
		row := reading.Find(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayVoid(r); err != nil {
				return answer{}, err
			}
			if r, err = reading.Void(tx, in.caller.MemberID, r, body.Reason, nil); err != nil {
				return answer{}, err
			}
			return ok(readingOut(r, in.caller.Units)), nil
		}
	})
}

// ReplaceReading implements the contract.
func (s *Server) ReplaceReading(c echo.Context, _ InClub, id InReading, _ ReplaceReadingParams) error {
	tries := 0
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		tries++
		body := decode[struct {
			Reason  string
			Reading json.RawMessage
		}](in)
		row := reading.Find(b, id)
		entry, hasID := entryOf("/reading", body.Reading)
		if !hasID {
			entry.ID = newID()
		}
		post := reading.QueuePost(b, []reading.Entry{entry}, tries > 1)
		return func(tx *postgres.Tx) (answer, error) {
			old, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayVoid(old); err != nil {
				return answer{}, err
			}
			post.Replacing(old)
			results, err := post.Record(in.ctx, tx, in.caller.MemberID)
			if err != nil {
				return answer{}, err
			}
			if _, err := reading.Void(tx, in.caller.MemberID, old, body.Reason, &entry.ID); err != nil {
				return answer{}, err
			}
			switch r := results[0]; r.Status {
			case reading.Created:
				return created(in.path("readings", r.Reading.ID.String()), readingOut(r.Reading, in.caller.Units)), nil
			case reading.Exists:
				return answer{}, problem.New(problem.IDUsed, "A reading with this id is on record already. Make a new id for the reading that takes the other's place.")
			default:
				return answer{}, refusal(r)
			}
		}
	})
}

// refusal is the problem of a single reading that was refused.
func refusal(r reading.Result) error {
	switch {
	case r.IDUsed:
		return problem.New(problem.IDUsed, "A reading with this id and other content is on record. Make a new id for a new reading; to correct that one, void or replace it.")
	case r.Ambiguous:
		p := problem.Invalid(r.Faults...)
		p.Kind = problem.AmbiguousName
		return p
	}
	slices.SortStableFunc(r.Faults, func(a, b problem.Fault) int { return strings.Compare(a.Pointer, b.Pointer) })
	return problem.Invalid(r.Faults...)
}
