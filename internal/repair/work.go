package repair

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/procedure"
	"pinwright/internal/vehicle"
)

// States of a step.
const (
	StepOpen = "open"
	Running  = "running"
	Waiting  = "waiting"
	Done     = "done"
	LeftOut  = "left_out"
)

// Step is where one step of a repair stands.
type Step struct {
	ID         uuid.UUID
	RepairID   uuid.UUID
	Ordinal    int // of its step in the edition
	Key        string
	JointID    *uuid.UUID
	State      string
	RoundsDone int // how often it was begun
	BeganAt    *time.Time
	BeganBy    *uuid.UUID
	DoneAt     *time.Time // finished or left out
	DoneBy     *uuid.UUID
	LeftOut    *string // by_member or by_recommendation
	Note       string  `json:"-"`
	Version    int64
}

// Why a step was left out.
const (
	ByMember         = "by_member"
	ByRecommendation = "by_recommendation"
)

// Repeat is the kind of a timer until the next round.
const Repeat = "repeat"

// IsClosed reports whether nothing is left to do of it.
func (s Step) IsClosed() bool { return s.State == Done || s.State == LeftOut }

// Timer is a wait of a step, or the time until its next round.
type Timer struct {
	ID           uuid.UUID
	RepairID     uuid.UUID
	StepID       uuid.UUID
	Kind         string
	Round        int
	BeganAt      time.Time
	DueAt        time.Time
	MostAt       *time.Time
	RungAt       *time.Time
	OverstayedAt *time.Time
	StoppedAt    *time.Time
	StoppedBy    *uuid.UUID
}

// State is how t stands at now: running, due, overstaying or stopped.
func (t Timer) State(now time.Time) string {
	switch {
	case t.StoppedAt != nil:
		return "stopped"
	case t.MostAt != nil && !t.MostAt.After(now):
		return "overstaying"
	case !t.DueAt.After(now):
		return "due"
	}
	return "running"
}

// Joint is a joint of a repair.
type Joint struct {
	JointID        uuid.UUID
	Position       string
	SafetyCritical bool
	Cautions       []string
	Boss           vehicle.Boss
	Cylinders      []vehicle.Cylinder // its features, in their order
}

// Measured counts the readings of a feature of the repair's joints that stand, at
// one stage and by one kind of instrument, taken since it began.
type Measured struct {
	JointID uuid.UUID
	Code    string
	Shape   string
	Duty    string
	Stage   string // empty: none was taken
	Method  string
	Count   int
}

// Work is a repair with everything that its steps need.
type Work struct {
	Repair
	Procedure []procedure.Step // the edition that it follows
	Joints    []Joint          // by position
	Steps     []Step           // in the order of the procedure, then by position
	Timers    []Timer          // oldest first
	Measured  []Measured
	Chosen    map[uuid.UUID]Chosen // by joint, as recommended or decided since; empty without either
	Missing   []string             // what was ordered for it and is not here, in words
	Wrong     []Wrong              // what went wrong, oldest first
	advised   map[uuid.UUID]advice // by joint, of the recommendation
	advisedAt time.Time            // when that was made
}

// Asked is repairs that are looked up; they are there once the batch was sent.
type Asked struct {
	repairs  *postgres.Rows[Repair]
	editions *postgres.Rows[edition]
	joints   *postgres.Rows[jointRow]
	steps    *postgres.Rows[Step]
	timers   *postgres.Rows[Timer]
	measured *postgres.Rows[measuredRow]
	chosen   *postgres.Rows[chosenRow]
	missing  *postgres.Rows[saidRow]
	wrong    *postgres.Rows[wrongRow]
}

type wrongRow struct {
	RepairID uuid.UUID
	Wrong
}

// saidRow is something that holds a repair up, in words.
type saidRow struct {
	RepairID uuid.UUID
	Text     string
}

type edition struct {
	RepairID uuid.UUID
	Steps    []procedure.Step
}

type jointRow struct {
	RepairID uuid.UUID
	Joint
}

type measuredRow struct {
	RepairID uuid.UUID
	Measured
}

type chosenRow struct {
	RepairID  uuid.UUID
	Body      []byte
	CreatedAt time.Time
}

const timerColumns = `t.id, t.repair_id, t.step_id, t.kind, t.round, t.began_at, t.due_at, t.most_at, t.rung_at, t.overstayed_at, t.stopped_at, t.stopped_by`

const stepColumns = `s.id, s.repair_id, s.ordinal, s.key, s.joint_id, s.state, s.rounds_done, s.began_at, s.began_by, s.done_at, s.done_by, s.left_out, s.note, s.version`

// Find looks a repair up by id or number.
func Find(b *postgres.Batch, name string) *Asked {
	id, number := Named(name)
	return find(b, ``, `(r.id = $2 or r.number = $3)`, id, number)
}

// Lock is Find, locked until the end of the write; the rest is read behind the lock.
func Lock(b *postgres.Batch, name string) *Asked {
	id, number := Named(name)
	return find(b, ` for no key update of r`, `(r.id = $2 or r.number = $3)`, id, number)
}

// Filter narrows a list of repairs; the zero value takes all.
type Filter struct{ Vehicle, Garage, State string }

// List lists repairs, newest first, with ids below before. Served by the primary key,
// repair_of_vehicle, repair_of_garage and repair_in_state.
func List(b *postgres.Batch, f Filter, before uuid.UUID, limit int) *Asked {
	cond, args := `r.id < $2`, []any{before, limit}
	named := func(column, table, text string) {
		if text != "" {
			of := postgres.ParseRef(text)
			args = append(args, of.ID, of.Name)
			cond += fmt.Sprintf(` and r.%s = (select n.id from %s n where n.club_id = $1 and (n.id = $%d or n.code = $%d))`, column, table, len(args), len(args)+1)
		}
	}
	named("vehicle_id", "vehicle", f.Vehicle)
	named("garage_id", "garage", f.Garage)
	if f.State != "" {
		args = append(args, f.State)
		cond += fmt.Sprintf(` and r.state = $%d`, len(args)+1)
	}
	return find(b, ``, cond+` order by r.id desc limit $3`, args...)
}

// find queues the repairs for which cond holds, with what belongs to them; args begin with $2.
func find(b *postgres.Batch, lock, cond string, args ...any) *Asked {
	args = append([]any{b.Club}, args...)
	which := `array(select r.id from repair r where r.club_id = $1 and ` + cond + `)`
	return &Asked{
		repairs: postgres.Query[Repair](b, `select `+repairColumns+` from repair r where r.club_id = $1 and r.id = any(`+which+`)`+lock, args...),
		editions: postgres.Query[edition](b, `select x.id as repair_id, e.steps from repair x cross join lateral (
				select e.steps from procedure_edition e where e.club_id = x.club_id and e.procedure_id = x.procedure_id and e.edition = x.edition offset 0) e
			where x.club_id = $1 and x.id = any(`+which+`)`, args...),
		joints: postgres.Query[jointRow](b, `select x.repair_id, j.id as joint_id, j.position, t.safety_critical, t.cautions, t.boss || j.boss as boss,
			(select coalesce(jsonb_agg(to_jsonb(f) order by f.ordinal), '[]') from feature f where f.club_id = j.club_id and f.joint_id = j.id) as cylinders from repair_joint x
			join joint j on j.club_id = x.club_id and j.id = x.joint_id join joint_template t on t.club_id = j.club_id and t.id = j.template_id
			where x.club_id = $1 and x.repair_id = any(`+which+`) order by j.position`, args...),
		steps:  postgres.Query[Step](b, `select `+stepColumns+` from repair_step s where s.club_id = $1 and s.repair_id = any(`+which+`)`, args...),
		timers: postgres.Query[Timer](b, `select `+timerColumns+` from repair_timer t where t.club_id = $1 and t.repair_id = any(`+which+`) order by t.id`, args...),
		measured: postgres.Query[measuredRow](b, `
			select r.id as repair_id, f.joint_id, f.code, f.shape, f.duty, coalesce(m.stage, '') as stage, coalesce(m.method, '') as method, coalesce(m.count, 0) as count
			from repair r join repair_joint x on x.club_id = r.club_id and x.repair_id = r.id
			join feature f on f.club_id = x.club_id and f.joint_id = x.joint_id
			left join lateral (
				select d.stage, coalesce(k.kind, d.method, '') as method, count(*) as count from reading d
				left join tool i on i.club_id = d.club_id and i.id = d.instrument_id left join tool_model k on k.club_id = i.club_id and k.id = i.model_id
				where d.club_id = f.club_id and d.feature_id = f.id and d.taken_at >= r.began_at and d.doubtful is null
				and not exists (select from reading_void v where v.club_id = d.club_id and v.reading_id = d.id)
				group by 1, 2) m on true
			where r.club_id = $1 and r.id = any(`+which+`) order by f.joint_id, f.ordinal, 6, 7`, args...),
		chosen: postgres.Query[chosenRow](b, `select x.id as repair_id, a.body, a.created_at from repair x join recommendation a on a.club_id = x.club_id and a.id = x.recommendation_id
			where x.club_id = $1 and x.id = any(`+which+`)`, args...),
		missing: postgres.Query[saidRow](b, `select o.repair_id, (l.quantity - l.arrived) || ' × ' || l.what || ' from ' || s.code as text from parts_order o
			join parts_line l on l.club_id = o.club_id and l.order_id = o.id join supplier s on s.club_id = o.club_id and s.id = o.supplier_id
			where o.club_id = $1 and o.repair_id = any(`+which+`) and o.arrived_on is null and o.cancelled_on is null and l.arrived < l.quantity order by o.id, l.line`, args...),
		wrong: postgres.Query[wrongRow](b, `select n.repair_id, n.id, n.joint_id, j.position, n.kind, n.chosen, coalesce(n.step, '') as step, n.decided_at, n.closed_at from nonconformity n join joint j on j.club_id = n.club_id and j.id = n.joint_id
			where n.club_id = $1 and n.repair_id = any(`+which+`) order by n.id`, args...),
	}
}

// Works are the repairs that were looked up, newest first.
func (a *Asked) Works() ([]*Work, error) {
	var out []*Work
	byID := map[uuid.UUID]*Work{}
	repairs := slices.SortedFunc(slices.Values(a.repairs.Items), func(x, y Repair) int { return slices.Compare(y.ID[:], x.ID[:]) })
	for _, r := range repairs {
		w := &Work{Repair: r}
		out, byID[r.ID] = append(out, w), w
		for _, e := range a.editions.Items {
			if e.RepairID == r.ID {
				w.Procedure = e.Steps
			}
		}
		if w.Procedure == nil {
			return nil, fmt.Errorf("repair: %s has no edition %d", r.Label(), r.Edition)
		}
	}
	// A row of a repair that came between the queries has no work here.
	for _, j := range a.joints.Items {
		if w := byID[j.RepairID]; w != nil {
			w.Joints = append(w.Joints, j.Joint)
		}
	}
	for _, s := range a.steps.Items {
		if w := byID[s.RepairID]; w != nil {
			w.Steps = append(w.Steps, s)
		}
	}
	for _, w := range out {
		slices.SortFunc(w.Steps, func(x, y Step) int {
			return cmp.Or(cmp.Compare(x.Ordinal, y.Ordinal), strings.Compare(w.Ref(x), w.Ref(y)))
		})
	}
	for _, t := range a.timers.Items {
		if w := byID[t.RepairID]; w != nil {
			w.Timers = append(w.Timers, t)
		}
	}
	for _, m := range a.measured.Items {
		if w := byID[m.RepairID]; w != nil {
			w.Measured = append(w.Measured, m.Measured)
		}
	}
	for _, m := range a.missing.Items {
		if w := byID[m.RepairID]; w != nil {
			w.Missing = append(w.Missing, m.Text)
		}
	}
	for _, n := range a.wrong.Items {
		if w := byID[n.RepairID]; w != nil {
			w.Wrong = append(w.Wrong, n.Wrong)
		}
	}
	for _, c := range a.chosen.Items {
		if w := byID[c.RepairID]; w != nil {
			var err error
			if w.advised, err = adviceOf(c.Body); err != nil {
				return nil, err
			}
			w.advisedAt = c.CreatedAt
		}
	}
	for _, w := range out {
		w.choose()
	}
	return out, nil
}

// Work is the only repair that was looked up; without one it is problem.Absent.
func (a *Asked) Work() (*Work, error) {
	all, err := a.Works()
	if err != nil {
		return nil, err
	}
	return (&postgres.Rows[*Work]{Items: all}).One()
}

// Of is the procedure's step that s stands for.
func (w *Work) Of(s Step) procedure.Step { return w.Procedure[s.Ordinal] }

// Position is where the joint of that id is.
func (w *Work) Position(joint uuid.UUID) string {
	i := slices.IndexFunc(w.Joints, func(j Joint) bool { return j.JointID == joint })
	if i < 0 {
		return ""
	}
	return w.Joints[i].Position
}

// Ref is the name of a step: its key, with the joint's position behind a colon.
func (w *Work) Ref(s Step) string {
	if s.JointID == nil {
		return s.Key
	}
	return s.Key + ":" + w.Position(*s.JointID)
}

// Step finds a step by id, or by its name. A key alone names a joint's step only
// where the repair has one joint.
func (w *Work) Step(name string) (Step, error) {
	id := postgres.ParseRef(name).ID
	key, position, _ := strings.Cut(name, ":")
	var found []Step
	for _, s := range w.Steps {
		if id != nil && s.ID == *id || id == nil && s.Key == key && (position == "" || s.JointID != nil && w.Position(*s.JointID) == position) {
			found = append(found, s)
		}
	}
	switch len(found) {
	case 0:
		return Step{}, problem.Absent()
	case 1:
		return found[0], nil
	}
	names := make([]string, len(found))
	for i, s := range found {
		names[i] = w.Ref(s)
	}
	return Step{}, problem.Ambiguous("{repair_step}", name, names)
}

// TimerOf is the timer of s that runs; nil when none does.
func (w *Work) TimerOf(s Step) *Timer {
	i := slices.IndexFunc(w.Timers, func(t Timer) bool { return t.StepID == s.ID && t.StoppedAt == nil })
	if i < 0 {
		return nil
	}
	return &w.Timers[i]
}
