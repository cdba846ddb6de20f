package vehicle

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// yard is a club with two vehicles that each have a joint at "upper"; the first
// has one at "lower" as well.
type yard struct {
	db     *pgtest.DB
	app    *postgres.DB
	club   uuid.UUID
	joints []Joint // first vehicle's lower and upper, second vehicle's upper
}

var noon = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

func newYard(t *testing.T) *yard {
	t.Helper()
	db := pgtest.New(t)
	y := &yard{db: db, app: &postgres.DB{Pool: db.App}, club: newID()}
	officer := newID()
	err := (&postgres.DB{Pool: db.Owner}).Write(t.Context(), y.club, noon, func(*postgres.Batch) {}, func(tx *postgres.Tx) error {
		tx.Queue(`insert into club (club_id, slug, name, currency, created_at) values ($1, 'yard', 'Yard', 'EUR', $2)`, tx.Club, tx.Now)
		tx.Queue(`insert into head (club_id) values ($1)`, tx.Club)
		club.AddMember(tx, officer, club.Member{ID: officer, Number: "1", Name: "Odile Farrow", Roles: []string{"officer"}, Version: 1})
		hinge := ShippedTemplates()[0]
		hinge.ID = newID()
		AddTemplate(tx, officer, hinge)
		for _, v := range []Vehicle{{ID: newID(), Code: "roadster", Name: "R", MemberID: officer, Version: 1}, {ID: newID(), Code: "saloon", Name: "S", MemberID: officer, Version: 1}} {
			Add(tx, officer, v)
			positions := []string{"upper"}
			if v.Code == "roadster" {
				positions = []string{"upper", "lower"}
			}
			made := NewJoints(v, hinge, positions, nm(8_000_000), nil, Target{}, newID)
			AddJoints(tx, officer, made)
			y.joints = append(y.joints, made...)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return y
}

func nm(v int64) *int64 { return &v }

func TestManyJointsAreFoundInOneQuery(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	lower, upper, saloons := y.joints[0], y.joints[1], y.joints[2]
	var rows *postgres.Rows[Joint]
	err := y.app.Read(t.Context(), y.club, func(b *postgres.Batch) {
		rows = FindJoints(b, []Name{{Joint: "upper"}, {Feature: lower.Features[2].ID.String()}, {Joint: saloons.ID.String()}, {Joint: "nothing"}, {Joint: "upper"}})
	})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]Joint{lower, upper, saloons}, rows.Items); diff != "" {
		t.Fatal(diff)
	}
	x := NewIndex(rows.Items)
	for _, row := range []struct {
		name, ref, vehicle string
		want               uuid.UUID
	}{
		{"by id", upper.ID.String(), "", upper.ID},
		{"by a position that one vehicle has", "lower", "", lower.ID},
		{"by position and vehicle code", "upper", "saloon", saloons.ID},
		{"by position and vehicle id", "upper", upper.VehicleID.String(), upper.ID},
	} {
		got, err := x.Joint("/joint", postgres.ParseRef(row.ref), row.vehicle)
		if err != nil || got.ID != row.want {
			t.Errorf("%s: got %v, %v", row.name, got, err)
		}
	}
	_, err = x.Joint("/joint", postgres.ParseRef("upper"), "")
	if p, _ := problem.As(err); p == nil || !problem.Is(err, problem.AmbiguousName) || !cmp.Equal(p.Faults[0].Candidates, []string{"roadster/upper", "saloon/upper"}) {
		t.Errorf("a position of two vehicles: %v", err)
	}
	for _, name := range []string{"nothing", newID().String()} {
		if _, err := x.Joint("/joint", postgres.ParseRef(name), ""); !problem.Is(err, problem.InvalidRequest) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := x.Joint("/joint", postgres.ParseRef(upper.ID.String()), "saloon"); !problem.Is(err, problem.InvalidRequest) {
		t.Errorf("a joint of another vehicle: %v", err)
	}
	if j, f, err := x.ByFeature("/feature", lower.Features[2].ID); err != nil || j.ID != lower.ID || f.Code != "pin" {
		t.Errorf("by feature: %v %v %v", j, f, err)
	}
	if _, _, err := x.ByFeature("/feature", newID()); !problem.Is(err, problem.InvalidRequest) {
		t.Errorf("unknown feature: %v", err)
	}
	if f, err := upper.Usual("/feature"); err != nil || f.Code != "bore" {
		t.Errorf("usual is %s, %v", f.Code, err)
	}
	bare := upper
	bare.Features = upper.Features[1:]
	_, err = bare.Usual("/feature")
	if p, _ := problem.As(err); p == nil || !cmp.Equal(p.Faults[0].Candidates, []string{"held_bore", "pin"}) {
		t.Errorf("no usual feature: %v", err)
	}
	if f, err := upper.Feature("/feature", postgres.ParseRef("held_bore")); err != nil || f.ID != upper.Features[1].ID {
		t.Errorf("by code: %v %v", f, err)
	}
	_, err = upper.Feature("/feature", postgres.ParseRef("bush"))
	if p, _ := problem.As(err); p == nil || !cmp.Equal(p.Faults[0].Candidates, []string{"bore", "held_bore", "pin"}) {
		t.Errorf("unknown code: %v", err)
	}
}

func TestOnlyTheJointsOfTheVehicleNamedAreLookedUp(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	saloons := y.joints[2]
	var byCode, byID, other *postgres.Rows[Joint]
	err := y.app.Read(t.Context(), y.club, func(b *postgres.Batch) {
		byCode = FindJoints(b, []Name{{Joint: "upper", Vehicle: "saloon"}})
		byID = FindJoints(b, []Name{{Joint: "upper", Vehicle: saloons.VehicleID.String()}})
		other = FindJoints(b, []Name{{Joint: "upper", Vehicle: "tractor"}, {}})
	})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([][]Joint{{saloons}, {saloons}, nil}, [][]Joint{byCode.Items, byID.Items, other.Items}, cmpopts.EquateEmpty()); diff != "" {
		t.Error(diff)
	}
}

func TestJointLookupsAreServedByIndexes(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	j := y.joints[0]
	// Enough joints that reading all of them is never the cheapest way.
	for _, sql := range []string{
		`insert into joint (club_id, id, vehicle_id, position, template_id) select club_id, gen_random_uuid(), vehicle_id, position || n, template_id from joint, generate_series(1, 3000) n`,
		`insert into feature (club_id, id, joint_id, ordinal, code, shape, duty) select club_id, gen_random_uuid(), id, 0, 'b', 'bore', 'running' from joint where position ~ '[0-9]'`,
		`analyze joint`, `analyze feature`,
	} {
		if _, err := y.db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	for _, row := range []struct {
		name, where string
		args        []any
	}{
		{"one by id or position", namedJoint, []any{y.club, j.ID, "upper17"}},
		{"many by id, position or feature", namedJoints, []any{y.club, []*uuid.UUID{&j.ID, nil, nil, nil}, []*string{nil, said("upper17"), said("upper18"), nil},
			[]*uuid.UUID{nil, nil, nil, nil}, []*string{nil, nil, said("roadster"), nil}, []*uuid.UUID{nil, nil, nil, &j.Features[0].ID}, mostCandidates}},
		{"a page of a vehicle's", vehiclesJoints, []any{y.club, j.VehicleID, "", "upper17", 50}},
	} {
		rows, err := y.db.Owner.Query(t.Context(), `explain `+selectJoint+row.where, row.args...)
		if err != nil {
			t.Fatal(err)
		}
		var plan []string
		for rows.Next() {
			var line string
			if err := rows.Scan(&line); err != nil {
				t.Fatal(err)
			}
			plan = append(plan, line)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
		if text := strings.Join(plan, "\n"); strings.Contains(text, "Seq Scan on joint j") || strings.Contains(text, "Seq Scan on feature") {
			t.Errorf("%s reads all joints or features:\n%s", row.name, text)
		}
	}
}
