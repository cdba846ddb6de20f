package record

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/repair"
)

// mostReadings bounds what one record tells: the newest ones.
const mostReadings = 2000

// Kept is a record as it was made.
type Kept struct {
	ID        uuid.UUID
	VehicleID uuid.UUID
	RepairID  uuid.UUID
	Number    string // of the repair
	Place     int    // in the vehicle's chain, from 1
	Previous  []byte // hash of the record before it; nil of the first
	Hash      []byte
	Content   string // canonical
	MadeAt    time.Time
}

// Told is k's content, read.
func (k Kept) Told() (Content, error) {
	var c Content
	if err := json.Unmarshal([]byte(k.Content), &c); err != nil {
		return c, fmt.Errorf("record: read %s: %w", k.ID, err)
	}
	return c, nil
}

// Person is a member whom a record names by id.
type Person struct {
	ID     uuid.UUID
	Number string
	Name   string
}

// Asked is what a record is made of; it is there once its batch was sent.
type Asked struct {
	features *postgres.Rows[featureRow]
	readings *postgres.Rows[readingRow]
	tools    *postgres.Rows[Tool]
	verdicts *postgres.Rows[Verdict]
	wrong    *postgres.Rows[Wrong]
	newest   *postgres.Rows[link]
	kept     *postgres.Rows[Kept]
	people   *postgres.Rows[Person]
}

type featureRow struct {
	JointID uuid.UUID
	Feature
}

// readingRow is a reading, and how many there are in all.
type readingRow struct {
	Reading
	Total int
}

// link is the end of a vehicle's chain.
type link struct {
	Place int
	Hash  []byte
}

const keptColumns = `k.id, k.vehicle_id, k.repair_id, 'R' || r.number as number, k.place, k.previous, k.hash, k.content, k.made_at`

// sinceSigned is when the joint of a repair_joint x was signed off before.
const sinceSigned = `cross join lateral (
				select max(p.signed_at) as signed_at from repair_joint o join repair p on p.club_id = o.club_id and p.id = o.repair_id
				where o.club_id = x.club_id and o.joint_id = x.joint_id and o.repair_id <> x.repair_id and p.state = 'signed'
				and p.signed_at < (select r.began_at from repair r where r.club_id = x.club_id and r.id = x.repair_id)
			) before `

// LockChain locks the vehicle of a repair, so that its records follow one another however many
// repairs of it are signed at once.
func LockChain(b *postgres.Batch, name string) {
	id, number := repair.Named(name)
	postgres.Values[uuid.UUID](b, `select v.id from vehicle v where v.club_id = $1 and v.id = (select r.vehicle_id from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3)) for no key update`, b.Club, id, number)
}

// LookUp queues what the record of a repair is made of, or the record itself where
// it was made. What was read of its joints since they were signed off before is
// what was found. Served by repair_number, repair_joint_pkey, reading_of_feature, verification_of_repair, nonconformity_of_repair,
// repair_record_once and repair_record_place.
func LookUp(b *postgres.Batch, name string) *Asked {
	id, number := repair.Named(name)
	const this = `(select r.id from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3))`
	return &Asked{
		features: postgres.Query[featureRow](b, `
			select f.joint_id, f.id, f.code, f.shape, f.duty, f.nominal_nm from repair_joint x join feature f on f.club_id = x.club_id and f.joint_id = x.joint_id
			where x.club_id = $1 and x.repair_id = `+this+` order by f.joint_id, f.ordinal`, b.Club, id, number),
		readings: postgres.Query[readingRow](b, `select * from (
			select count(*) over () as total, d.id, d.feature_id, d.kind, d.size_nm, d.entered::text as entered, d.entered_unit as unit, d.stage, d.surface, d.station, d.direction_degrees as direction, d.taken_at, d.member_id,
			       d.method, t.number as instrument, k.expanded_nm, k.coverage_factor as coverage, to_char(k.calibrated_on, 'YYYY-MM-DD') as calibrated
			from repair_joint x `+sinceSigned+`join feature f on f.club_id = x.club_id and f.joint_id = x.joint_id
			join reading d on d.club_id = f.club_id and d.feature_id = f.id and (before.signed_at is null or d.taken_at > before.signed_at)
			left join tool t on t.club_id = d.club_id and t.id = d.instrument_id
			left join lateral (
				select c.expanded_nm, c.coverage_factor, c.calibrated_on from calibration c
				where c.club_id = t.club_id and c.tool_id = t.id and c.calibrated_on <= (d.taken_at at time zone 'UTC')::date order by c.calibrated_on desc, c.id desc limit 1
			) k on true
			where x.club_id = $1 and x.repair_id = `+this+` and d.doubtful is null
			and not exists (select from reading_void v where v.club_id = d.club_id and v.reading_id = d.id)
			order by d.taken_at desc, d.id desc limit $4) d order by d.taken_at, d.id`, b.Club, id, number, mostReadings),
		verdicts: postgres.Query[Verdict](b, `select v.joint_id, v.verdict, v.risk, v.at, v.member_id,
			(select t.number from tool t where t.club_id = v.club_id and t.id = (v.content->>'reamer_tool')::uuid) as reamer from verification v where v.club_id = $1 and v.repair_id = `+this+` order by v.at, v.id`, b.Club, id, number),
		tools: postgres.Query[Tool](b, `
			select t.number, m.kind, m.code as model,
			       (select to_char(c.calibrated_on, 'YYYY-MM-DD') from calibration c where c.club_id = t.club_id and c.tool_id = t.id order by c.calibrated_on desc, c.id desc limit 1) as calibrated,
			       u.readings, coalesce((select array_agg(k.size_nm order by k.cut_at, k.feature_id) from verification v join reamer_cut k on k.club_id = v.club_id and k.verification_id = v.id
					where v.club_id = $1 and v.repair_id = `+this+` and k.tool_id = t.id), '{}') as cuts
			from (
				select a.tool_id, sum(a.readings)::integer as readings from (
					select d.instrument_id as tool_id, count(*) as readings from repair_joint x `+sinceSigned+`join feature f on f.club_id = x.club_id and f.joint_id = x.joint_id
					join reading d on d.club_id = f.club_id and d.feature_id = f.id and (before.signed_at is null or d.taken_at > before.signed_at)
					where x.club_id = $1 and x.repair_id = `+this+` and d.instrument_id is not null and d.doubtful is null
					and not exists (select from reading_void w where w.club_id = d.club_id and w.reading_id = d.id) group by d.instrument_id
					union all
					select (v.content->>'reamer_tool')::uuid, 0 from verification v where v.club_id = $1 and v.repair_id = `+this+` and v.content ? 'reamer_tool'
				) a group by a.tool_id
			) u join tool t on t.club_id = $1 and t.id = u.tool_id join tool_model m on m.club_id = t.club_id and m.id = t.model_id
			order by m.kind, t.number`, b.Club, id, number),
		wrong: postgres.Query[Wrong](b, `select n.joint_id, n.kind, n.found_at, n.member_id, n.chosen, n.closed_at from nonconformity n where n.club_id = $1 and n.repair_id = `+this+` order by n.found_at, n.id`,
			b.Club, id, number),
		newest: postgres.Query[link](b, `
			select n.place, n.hash from repair_record n where n.club_id = $1 and n.vehicle_id = (select r.vehicle_id from repair r where r.club_id = $1 and r.id = `+this+`)
			order by n.place desc limit 1`, b.Club, id, number),
		kept: postgres.Query[Kept](b, `select `+keptColumns+` from repair_record k join repair r on r.club_id = k.club_id and r.id = k.repair_id where k.club_id = $1 and k.repair_id = `+this,
			b.Club, id, number),
		people: postgres.Query[Person](b, `
			select m.id, m.number, m.name from (
				select unnest(array[r.lead_id, r.signed_by, r.seconded_by]) from repair r where r.club_id = $1 and r.id = `+this+`
				union select unnest(array[s.began_by, s.done_by]) from repair_step s where s.club_id = $1 and s.repair_id = `+this+`
				union select v.member_id from verification v where v.club_id = $1 and v.repair_id = `+this+`
				union select n.member_id from nonconformity n where n.club_id = $1 and n.repair_id = `+this+`
				union select d.member_id from repair_joint x join feature f on f.club_id = x.club_id and f.joint_id = x.joint_id join reading d on d.club_id = f.club_id and d.feature_id = f.id
					where x.club_id = $1 and x.repair_id = `+this+`
			) a (id) cross join lateral (select * from member x where x.club_id = $1 and x.id = a.id offset 0) m`, b.Club, id, number),
	}
}

// People are the members whom the record names by id.
func (a *Asked) People() []Person { return a.people.Items }

// Kept is the record where it was made, else nil.
func (a *Asked) Kept() *Kept {
	if len(a.kept.Items) == 0 {
		return nil
	}
	return &a.kept.Items[0]
}

// Draft is what the record of w would say now.
func (a *Asked) Draft(w *repair.Work) Content {
	return contentOf(w, a.features.Items, a.readings.Items, a.verdicts.Items, a.wrong.Items, a.tools.Items)
}

// made is what the journal binds of a record; pinwright verify works it out anew.
type made struct {
	ID       uuid.UUID
	RepairID uuid.UUID
	Place    int
	Hash     string
}

// Make writes the record of w, which was signed off in tx, at the end of its
// vehicle's chain. Another record of the vehicle that was made meanwhile makes the
// write run again.
func (a *Asked) Make(tx *postgres.Tx, actor uuid.UUID, w *repair.Work) (Kept, error) {
	c := a.Draft(w)
	k := Kept{ID: uuid.Must(uuid.NewV7()), VehicleID: w.VehicleID, RepairID: w.ID, Number: w.Label(), Place: 1, MadeAt: tx.Now.UTC().Truncate(time.Microsecond)}
	if len(a.newest.Items) > 0 {
		last := a.newest.Items[0]
		k.Place, k.Previous = last.Place+1, last.Hash
		before := Hash(last.Hash).String()
		c.Previous = &before
	}
	c.Place = k.Place
	text, hash, err := c.Canonical()
	if err != nil {
		return k, err
	}
	k.Hash, k.Content = hash[:], string(text)
	tx.Queue(`insert into repair_record (club_id, id, vehicle_id, repair_id, place, previous, hash, content, made_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, k.ID, k.VehicleID, k.RepairID, k.Place, k.Previous, k.Hash, k.Content, k.MadeAt).RunAgainOn("repair_record_place")
	journal.Append(tx, journal.Event{Type: "record.made", Subject: k.ID, Version: 1, Audience: journal.ForClub, Actor: actor}, made{k.ID, k.RepairID, k.Place, hash.String()})
	return k, nil
}

// Standing is how a record stands, told to whoever has its hash.
type Standing struct {
	MadeAt time.Time
	Place  int
	Newest int  // place of the newest of its vehicle
	Whole  bool // it and all before it are as they were written
}

// Stands asks for the record of that hash in whichever club made it.
func Stands(b *postgres.Batch, h Hash) *postgres.Rows[Standing] {
	return postgres.Query[Standing](b, `select made_at, place, newest, whole from record_standing($1)`, h[:])
}
