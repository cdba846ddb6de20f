package api

import (
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
	"pinwright/internal/wear"
)

func wearVoidOut(v wear.Void) *WearVoid {
	if v.VoidAt == nil {
		return nil
	}
	return &WearVoid{At: v.VoidAt.UTC(), Reason: or(v.VoidReason, "")}
}

func jointEventOut(e wear.Event) JointEvent {
	return JointEvent{Id: e.ID, JointId: e.JointID, Kind: JointEventKind(e.Kind), OccurredAt: e.OccurredAt.UTC(), Note: present(e.Note),
		MemberId: e.MemberID, RecordedAt: e.RecordedAt.UTC(), Void: wearVoidOut(e.Void)}
}

func distanceOut(d wear.Distance) Distance {
	return Distance{Id: d.ID, VehicleId: d.VehicleID, Shown: d.Shown, Unit: DistanceUnit(d.Unit), TakenAt: d.TakenAt.UTC(), Replaced: d.Replaced, Previous: d.Previous,
		MemberId: d.MemberID, RecordedAt: d.RecordedAt.UTC(), Void: wearVoidOut(d.Void)}
}

// idOr is the id that the client made, else a new one.
func idOr(asked *ClientId) uuid.UUID {
	if asked == nil {
		return newID()
	}
	return *asked
}

// ListJointEvents implements the contract.
func (s *Server) ListJointEvents(c echo.Context, _ InClub, joint InJoint, _ ListJointEventsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		at, id := in.pageTime(p)
		ref := postgres.ParseRef(joint)
		joints := vehicle.FindJoint(b, ref)
		rows := wear.ListEvents(b, ref, at, id, p.limit+1)
		return func() (answer, error) {
			if _, err := jointInPath(joints, joint); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(e wear.Event) []string {
				return []string{e.OccurredAt.UTC().Format(time.RFC3339Nano), e.ID.String()}
			})
			return in.listed(JointEventPage{Items: each(items, jointEventOut), Next: next}, next), nil
		}
	})
}

// CreateJointEvent implements the contract.
func (s *Server) CreateJointEvent(c echo.Context, _ InClub, joint InJoint, _ CreateJointEventParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[JointEventIn](in)
		joints := vehicle.FindJoint(b, postgres.ParseRef(joint))
		id := idOr(body.Id)
		row := wear.FindEvent(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			j, err := jointInPath(joints, joint)
			if err != nil {
				return answer{}, err
			}
			e := wear.Event{ID: id, JointID: j.ID, Kind: string(body.Kind), OccurredAt: body.OccurredAt.UTC().Truncate(time.Microsecond), Note: or(body.Note, ""), MemberID: in.caller.MemberID}
			if len(row.Items) > 0 {
				return ok(jointEventOut(row.Items[0])), row.Items[0].Same(e)
			}
			if faults := wear.Ahead("/occurred_at", e.OccurredAt, tx.Now); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			return answer{status: http.StatusCreated, body: jointEventOut(wear.RecordEvent(tx, e))}, nil
		}
	})
}

// mayVoidOf allows members what they recorded themselves, and whoever keeps the
// tools or runs the club everything.
func (in *call) mayVoidOf(member uuid.UUID) error {
	if member == in.caller.MemberID || in.caller.Has("tool_keeper", "officer") {
		return nil
	}
	return problem.New(problem.MissingRole, "Another member recorded this. Ask that member, or a tool_keeper or officer, to void it.")
}

// VoidJointEvent implements the contract.
func (s *Server) VoidJointEvent(c echo.Context, _ InClub, id InWearEvent, _ VoidJointEventParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[WearVoidIn](in)
		row := wear.FindEvent(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			e, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayVoidOf(e.MemberID); err != nil {
				return answer{}, err
			}
			e, err = wear.VoidEvent(tx, in.caller.MemberID, e, body.Reason)
			return ok(jointEventOut(e)), err
		}
	})
}

// ListDistances implements the contract.
func (s *Server) ListDistances(c echo.Context, _ InClub, name InVehicle, _ ListDistancesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		at, id := in.pageTime(p)
		ref := postgres.ParseRef(name)
		vehicles := vehicle.Find(b, ref)
		rows := wear.ListDistances(b, ref, at, id, p.limit+1)
		return func() (answer, error) {
			if _, err := vehicles.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(d wear.Distance) []string {
				return []string{d.TakenAt.UTC().Format(time.RFC3339Nano), d.ID.String()}
			})
			return in.listed(DistancePage{Items: each(items, distanceOut), Next: next}, next), nil
		}
	})
}

// CreateDistance implements the contract.
func (s *Server) CreateDistance(c echo.Context, _ InClub, name InVehicle, _ CreateDistanceParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[DistanceIn](in)
		ref := postgres.ParseRef(name)
		vehicles := vehicle.Find(b, ref)
		id, at := idOr(body.Id), body.TakenAt.UTC().Truncate(time.Microsecond)
		row := wear.FindDistance(b, id)
		before, after := wear.Neighbours(b, ref, at)
		return func(tx *postgres.Tx) (answer, error) {
			v, err := vehicles.One()
			if err != nil {
				return answer{}, err
			}
			d := wear.Distance{ID: id, VehicleID: v.ID, Shown: body.Shown, Unit: string(body.Unit), TakenAt: at, Replaced: or(body.Replaced, false), Previous: body.Previous, MemberID: in.caller.MemberID}
			if len(row.Items) > 0 {
				return ok(distanceOut(row.Items[0])), row.Items[0].Same(d)
			}
			first := func(rows *postgres.Rows[wear.Distance]) *wear.Distance {
				if len(rows.Items) == 0 {
					return nil
				}
				return &rows.Items[0]
			}
			if faults := d.Check(first(before), first(after), tx.Now); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			return answer{status: http.StatusCreated, body: distanceOut(wear.RecordDistance(tx, d))}, nil
		}
	})
}

// VoidDistance implements the contract.
func (s *Server) VoidDistance(c echo.Context, _ InClub, id InDistance, _ VoidDistanceParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[WearVoidIn](in)
		row := wear.FindDistance(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			d, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayVoidOf(d.MemberID); err != nil {
				return answer{}, err
			}
			d, err = wear.VoidDistance(tx, in.caller.MemberID, d, body.Reason)
			return ok(distanceOut(d)), err
		}
	})
}
