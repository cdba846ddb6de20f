package reminder_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// world is a club with a garage in Lisbon and one on the Chatham Islands, whose
// rows are written by the owner of the schema: what reminders follow from are the
// rows, whoever wrote them.
type world struct {
	t               *testing.T
	pg              *pgtest.DB
	db              *postgres.DB
	club            uuid.UUID
	lisbon, chatham uuid.UUID // garages
	kim, keeper     uuid.UUID // members
	reamer, gauge   uuid.UUID // tools in Lisbon
	puller          uuid.UUID // on the Chatham Islands
	model           uuid.UUID
	act             uuid.UUID
	lisbonZone      *time.Location
}

func newWorld(t *testing.T) *world {
	t.Helper()
	pg := pgtest.New(t)
	w := &world{t: t, pg: pg, db: &postgres.DB{Pool: pg.App}}
	for _, id := range []*uuid.UUID{&w.club, &w.lisbon, &w.chatham, &w.kim, &w.keeper, &w.reamer, &w.gauge, &w.puller, &w.model, &w.act} {
		*id = uuid.Must(uuid.NewV7())
	}
	w.lisbonZone = zoneNamed(t, "Europe/Lisbon")
	w.exec(`insert into club (club_id, slug, name, currency, created_at) values ($1, 'fern-row', 'Fern Row Garages', 'EUR', '2026-01-01Z')`)
	w.exec(`insert into head (club_id) values ($1)`)
	w.exec(`insert into garage (club_id, id, code, name, time_zone) values ($1, $2, 'quay', 'Quay', 'Europe/Lisbon'), ($1, $3, 'far', 'Far', 'Pacific/Chatham')`, w.lisbon, w.chatham)
	w.exec(`insert into member (club_id, id, number, name, roles, garage_id) values ($1, $2, '07', 'Kim Sallow', '{member}', $4), ($1, $3, '02', 'Rue Alder', '{tool_keeper}', null)`, w.kim, w.keeper, w.lisbon)
	w.exec(`insert into tool_model (club_id, id, code, name, kind) values ($1, $2, 'any', 'Any', 'other')`, w.model)
	w.exec(`insert into tool (club_id, id, number, model_id, garage_id) values ($1, $2, 'R-1', $5, $6), ($1, $3, 'G-2', $5, $6), ($1, $4, 'P-3', $5, $7)`,
		w.reamer, w.gauge, w.puller, w.model, w.lisbon, w.chatham)
	w.exec(`insert into counter_act (club_id, id, kind, member_id, by_member, occurred_at, recorded_at) values ($1, $2, 'handout', $3, $3, '2026-01-01Z', '2026-01-01Z')`, w.act, w.kim)
	return w
}

func zoneNamed(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// exec writes as the owner; $1 is the club.
func (w *world) exec(sql string, args ...any) {
	w.t.Helper()
	if _, err := w.pg.Owner.Exec(w.t.Context(), sql, append([]any{w.club}, args...)...); err != nil {
		w.t.Fatalf("%s: %v", sql, err)
	}
}

// reserve promises tools to Kim.
func (w *world) reserve(from, until, made time.Time, tools ...uuid.UUID) uuid.UUID {
	w.t.Helper()
	id := uuid.Must(uuid.NewV7())
	w.exec(`insert into reservation (club_id, id, member_id, created_at, changed_at) values ($1, $2, $3, $4, $4)`, id, w.kim, made)
	for i, tool := range tools {
		w.exec(`insert into booking (club_id, reservation_id, line, tool_id, period, held) values ($1, $2, $3, $4, tstzrange($5, $6), tstzrange($5, $6))`, id, i, tool, from, until)
	}
	return id
}

// lend hands the first line of a reservation to Kim.
func (w *world) lend(reservation uuid.UUID, at time.Time) uuid.UUID {
	w.t.Helper()
	id := uuid.Must(uuid.NewV7())
	w.exec(`update booking set state = 'out' where club_id = $1 and reservation_id = $2`, reservation)
	w.exec(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
		select $1, $2, $3, 0, b.tool_id, $4, $5, $6, b.held, $6 from booking b where b.club_id = $1 and b.reservation_id = $3 and b.line = 0`, id, reservation, w.kim, w.act, at)
	return id
}

// sweep runs both sweeps at a time and returns what they made, as "who kind due detail".
func (w *world) sweep(now time.Time) []string {
	w.t.Helper()
	before := w.all()
	made := 0
	for _, sweep := range []func() (int, error){
		func() (int, error) { return reminder.Sweep(w.t.Context(), w.db, w.club, now) },
		func() (int, error) { return reminder.SweepTools(w.t.Context(), w.db, w.club, now) },
	} {
		n, err := sweep()
		if err != nil {
			w.t.Fatalf("sweep at %s: %v", now, err)
		}
		made += n
	}
	var out []string
	for id, text := range w.all() {
		if _, was := before[id]; !was {
			out = append(out, text)
		}
	}
	if len(out) != made {
		w.t.Errorf("the sweeps at %s tell of %d reminders and made %d", now, made, len(out))
	}
	return out
}

func (w *world) all() map[uuid.UUID]string {
	w.t.Helper()
	rows, err := w.pg.Owner.Query(w.t.Context(), `select r.id, m.number, r.kind, r.due_at, r.detail from reminder r join member m using (club_id) where r.club_id = $1 and m.id = r.member_id`, w.club)
	if err != nil {
		w.t.Fatal(err)
	}
	defer rows.Close()
	out := map[uuid.UUID]string{}
	for rows.Next() {
		var id uuid.UUID
		var number, kind, detail string
		var due time.Time
		if err := rows.Scan(&id, &number, &kind, &due, &detail); err != nil {
			w.t.Fatal(err)
		}
		text := fmt.Sprintf("%s %s %s", number, kind, due.UTC().Format(time.RFC3339))
		if detail != "" {
			text += " " + detail
		}
		out[id] = text
	}
	if err := rows.Err(); err != nil {
		w.t.Fatal(err)
	}
	return out
}

// list is what a member reads of their reminders, newest first.
func (w *world) list(member uuid.UUID) []reminder.Reminder {
	w.t.Helper()
	var rows *postgres.Rows[reminder.Reminder]
	err := w.db.Read(w.t.Context(), w.club, func(b *postgres.Batch) {
		rows = reminder.List(b, `select id from member where club_id = $1 and id::text = convert_from($2, 'UTF8')`, []byte(member.String()), uuid.Max, 100)
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return rows.Items
}

func (w *world) save(c reminder.Contact) {
	w.t.Helper()
	err := w.db.Write(w.t.Context(), w.club, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), nil, func(tx *postgres.Tx) error {
		_, err := reminder.Save(tx, c.MemberID, c)
		return err
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

func at(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

func ptr[T any](v T) *T { return &v }
