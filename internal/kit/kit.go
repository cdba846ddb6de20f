// Package kit is tools that go out together: a certain tool each, or any tool of
// a model.
//
// # Vocabulary
//
// A part is one tool that the kit promises. A fixed part names the tool; another
// names a model, and whoever lends the kit chooses among its tools: twice the same
// model is two tools. Pieces are loose things that belong to a tool and are counted
// when it comes back. A retired kit stays, since old reservations name it, and is
// offered no more.
//
// # What it does not do
//
// It reserves nothing: package lending makes a line of each part.
package kit

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// MostParts bounds a kit: each of its parts is a line of a reservation.
const MostParts = 20 // as the contract and the table have it

// Kit is tools that go out together.
type Kit struct {
	ID        uuid.UUID
	Code      string
	Name      string
	Note      string `json:"-"` // free text may name people, and the journal keeps no names
	RetiredAt *time.Time
	Parts     []Part
	// Version grows with every change that shows: the kit's own, and those of its
	// tools and models.
	Version int64
	own     int64 // of Version, what is the kit's row
}

// Part is one tool of a kit, with what is known of it.
type Part struct {
	ToolID  *uuid.UUID // nil: any tool of the model
	ModelID uuid.UUID

	ToolNumber string         `json:"-"`
	ToolState  tool.State     `json:"-"`
	ModelCode  string         `json:"-"`
	ModelName  string         `json:"-"`
	Kind       tool.Kind      `json:"-"`
	Size       *length.Length `json:"-"`
	Caution    string         `json:"-"`
	Pieces     int            `json:"-"` // loose pieces to count when it comes back
	Ready      int            `json:"-"` // tools of the model that are in service
	Changes    int64          `json:"-"` // versions of what shows of it
	InService  bool           `json:"-"` // it can be lent, and so can the parts of its model before it
}

// row is one part beside its kit, so that a page of kits comes from one query and
// one snapshot.
type row struct {
	ID        uuid.UUID
	Code      string
	Name      string
	Note      string
	RetiredAt *time.Time
	Version   int64
	Ordinal   int
	partRow
}

// partRow is what the database knows of a part.
type partRow struct {
	ToolID     *uuid.UUID
	ModelID    uuid.UUID
	ToolNumber string
	ToolState  tool.State
	ModelCode  string
	ModelName  string
	Kind       tool.Kind
	Size       *length.Length `db:"size_nm"`
	Caution    string
	Pieces     int
	Ready      int
	Changes    int64
}

func (r partRow) part() Part {
	return Part{ToolID: r.ToolID, ModelID: r.ModelID, ToolNumber: r.ToolNumber, ToolState: r.ToolState, ModelCode: r.ModelCode, ModelName: r.ModelName,
		Kind: r.Kind, Size: r.Size, Caution: r.Caution, Pieces: r.Pieces, Ready: r.Ready, Changes: r.Changes}
}

const kitColumns = `k.id, k.code, k.name, k.note, k.retired_at, k.version`

// partColumns need the part's model named m and its tool t, if it has one, and of_model
// (see ofModel).
const partColumns = `t.id as tool_id, m.id as model_id, coalesce(t.number, '') as tool_number, coalesce(t.state, '') as tool_state,
	m.code as model_code, m.name as model_name, m.kind, m.size_nm, m.caution, m.parts as pieces, of_model.ready, m.version + coalesce(t.version, of_model.changes) as changes`

// ofModel counts the tools of the model m. Of a part without a tool all of them
// show, since any may be the one that goes out.
const ofModel = `
	cross join lateral (select count(*) filter (where x.state = 'in_service') as ready, coalesce(sum(x.version), 0)::bigint as changes
		from tool x where x.club_id = m.club_id and x.model_id = m.id) of_model`

// selectKits shows the kits of source, which is a table or what a query calls its
// page. Parts and their models are looked up by their keys: of a page of kits there are
// few. (No coalesce: under row level security PostgreSQL asks an index for nothing that it
// does not know to keep secrets, and coalesce is not on its list.)
func selectKits(source string) string {
	return `select ` + kitColumns + `, p.ordinal, ` + partColumns + ` from ` + source + ` k
		cross join lateral (select * from kit_part x where x.club_id = k.club_id and x.kit_id = k.id offset 0) p
		left join tool t on t.club_id = p.club_id and t.id = p.tool_id
		cross join lateral (select * from tool_model x where x.club_id = p.club_id and x.id = case when p.model_id is null then t.model_id else p.model_id end offset 0) m` + ofModel
}

// Kits is the result of a query; empty until its batch was sent.
type Kits struct{ rows *postgres.Rows[row] }

// Items returns the kits by code, with their parts.
func (k Kits) Items() []Kit {
	rows := slices.Clone(k.rows.Items)
	slices.SortFunc(rows, func(a, b row) int { return cmp.Or(cmp.Compare(a.Code, b.Code), cmp.Compare(a.Ordinal, b.Ordinal)) })
	var out []Kit
	for _, r := range rows {
		if len(out) == 0 || out[len(out)-1].ID != r.ID {
			out = append(out, Kit{ID: r.ID, Code: r.Code, Name: r.Name, Note: r.Note, RetiredAt: r.RetiredAt, Version: r.Version, own: r.Version})
		}
		last := &out[len(out)-1]
		last.Version += r.Changes
		last.Parts = append(last.Parts, r.part())
	}
	for i := range out {
		out[i].judge()
	}
	return out
}

// judge finds out which parts can be lent. A fixed tool is not at hand for a part
// of its model, and each of several such parts needs a tool of its own.
func (k *Kit) judge() {
	wanted := map[uuid.UUID]int{}
	for i := range k.Parts {
		if p := &k.Parts[i]; p.ToolID != nil {
			if p.InService = p.ToolState == tool.InService; p.InService {
				wanted[p.ModelID]++
			}
		}
	}
	for i := range k.Parts {
		if p := &k.Parts[i]; p.ToolID == nil {
			wanted[p.ModelID]++
			p.InService = p.Ready >= wanted[p.ModelID]
		}
	}
}

// One returns the only kit; without one it is problem.Absent.
func (k Kits) One() (Kit, error) { return (&postgres.Rows[Kit]{Items: k.Items()}).One() }

// Find looks a kit up by id or code.
func Find(b *postgres.Batch, ref postgres.Ref) Kits {
	return Kits{postgres.Query[row](b, selectKits(`kit`)+` where k.club_id = $1 and (k.id = $2 or k.code = $3)`, b.Club, ref.ID, ref.Name)}
}

// FindAll looks kits up by codes.
func FindAll(b *postgres.Batch, refs []postgres.Ref) Kits {
	ids, codes := postgres.Split(refs)
	return Kits{postgres.Query[row](b, selectKits(`kit`)+` where k.club_id = $1 and (k.id = any($2) or k.code = any($3))`, b.Club, ids, codes)}
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, ref postgres.Ref) Kits {
	return Kits{postgres.Query[row](b, selectKits(`kit`)+` where k.club_id = $1 and (k.id = $2 or k.code = $3) for no key update of k`, b.Club, ref.ID, ref.Name)}
}

// List lists kits by code, after the code given: those in use, or the retired
// ones. Served by kit_code.
func List(b *postgres.Batch, retired bool, after string, limit int) Kits {
	which := `retired_at is null`
	if retired {
		which = `retired_at is not null`
	}
	return Kits{postgres.Query[row](b, `
		with page as (select * from kit where club_id = $1 and code > $2 and `+which+` order by code limit $3) `+selectKits(`page`), b.Club, after, limit)}
}

// named looks up what parts may ask for: the parts that are tools of those ids and
// numbers, and those that are any tool of models of those ids and codes.
func named(b *postgres.Batch, tools, models []postgres.Ref) (ofTools, ofModels *postgres.Rows[partRow]) {
	ids, numbers := postgres.Split(tools)
	ofTools = postgres.Query[partRow](b, `select `+partColumns+` from tool t
		cross join lateral (select * from tool_model x where x.club_id = t.club_id and x.id = t.model_id offset 0) m`+ofModel+`
		where t.club_id = $1 and (t.id = any($2) or t.number = any($3))`, b.Club, ids, numbers)
	ids, codes := postgres.Split(models)
	ofModels = postgres.Query[partRow](b, `select `+partColumns+` from tool_model m left join tool t on false`+ofModel+`
		where m.club_id = $1 and (m.id = any($2) or m.code = any($3))`, b.Club, ids, codes)
	return ofTools, ofModels
}

func codeTaken(code string) *problem.Error {
	return problem.New(problem.NameTaken, "Another kit has the code %q, perhaps one that is retired. Choose another.", code)
}

// Add creates k.
func Add(tx *postgres.Tx, actor uuid.UUID, k Kit) Kit {
	AddAll(tx, actor, []Kit{k}).Refuse("kit_code", codeTaken(k.Code))
	return k.renewed(1)
}

// AddAll creates kits in the order of their codes, so that two who add the same
// ones wait for each other and never in a circle. A code that is taken violates
// kit_code; the caller says what that means.
func AddAll(tx *postgres.Tx, actor uuid.UUID, kits []Kit) *postgres.Effect {
	journal.AppendAll(tx, journal.Event{Type: "kit.created", Version: 1, Audience: journal.ForClub, Actor: actor},
		postgres.Column(kits, func(k Kit) uuid.UUID { return k.ID }), postgres.Column(kits, func(k Kit) any { return k }))
	made := tx.Queue(`insert into kit (club_id, id, code, name, note) select $1, u.* from unnest($2::uuid[], $3::text[], $4::text[], $5::text[]) as u(id, code, name, note) order by code`,
		tx.Club, postgres.Column(kits, func(k Kit) uuid.UUID { return k.ID }), postgres.Column(kits, func(k Kit) string { return k.Code }),
		postgres.Column(kits, func(k Kit) string { return k.Name }), postgres.Column(kits, func(k Kit) string { return k.Note }))
	addParts(tx, kits)
	return made
}

// addParts writes the parts of kits.
func addParts(tx *postgres.Tx, kits []Kit) {
	var ids []uuid.UUID
	var ordinals []int
	var tools, models []*uuid.UUID
	for _, k := range kits {
		for i, p := range k.Parts {
			ids, ordinals, tools = append(ids, k.ID), append(ordinals, i), append(tools, p.ToolID)
			if p.ToolID == nil {
				models = append(models, &p.ModelID)
			} else {
				models = append(models, nil)
			}
		}
	}
	tx.Queue(`insert into kit_part (club_id, kit_id, ordinal, tool_id, model_id) select $1, u.* from unnest($2::uuid[], $3::smallint[], $4::uuid[], $5::uuid[]) as u`,
		tx.Club, ids, ordinals, tools, models)
}

// renewed is k as it shows when its row has the version own.
func (k Kit) renewed(own int64) Kit {
	k.own, k.Version = own, own
	for _, p := range k.Parts {
		k.Version += p.Changes
	}
	k.judge()
	return k
}

// Update writes k, which is locked and was was, as its next version, with an event
// of that type.
func Update(tx *postgres.Tx, actor uuid.UUID, was, k Kit, event string) Kit {
	k = k.renewed(was.own + 1)
	if k.Version <= was.Version { // other parts have changed less often; a version never comes again
		k = k.renewed(k.own + was.Version + 1 - k.Version)
	}
	tx.Queue(`update kit set code = $3, name = $4, note = $5, retired_at = $6, version = $7 where club_id = $1 and id = $2`,
		tx.Club, k.ID, k.Code, k.Name, k.Note, k.RetiredAt, k.own).Refuse("kit_code", codeTaken(k.Code))
	if !slices.EqualFunc(was.Parts, k.Parts, Part.same) {
		tx.Queue(`delete from kit_part where club_id = $1 and kit_id = $2`, tx.Club, k.ID)
		addParts(tx, []Kit{k})
	}
	journal.Append(tx, journal.Event{Type: event, Subject: k.ID, Version: k.Version, Audience: journal.ForClub, Actor: actor}, k)
	return k
}

// Offered is k as it is when it is offered again, or no more.
func (k Kit) Offered(again bool, now time.Time) (Kit, error) {
	switch {
	case again && k.RetiredAt == nil:
		return k, problem.New(problem.NotAllowedNow, "The kit %s is offered already. Nothing is to do.", k.Code)
	case again:
		k.RetiredAt = nil
	case k.RetiredAt != nil:
		return k, problem.New(problem.NotAllowedNow, "The kit %s was retired on %s already. bring-back offers it again.", k.Code, k.RetiredAt.UTC().Format(time.DateOnly))
	default:
		at := now.UTC().Truncate(time.Microsecond)
		k.RetiredAt = &at
	}
	return k, nil
}

// same reports whether both parts ask for the same.
func (p Part) same(other Part) bool {
	return p.ModelID == other.ModelID && (p.ToolID == nil) == (other.ToolID == nil) && (p.ToolID == nil || *p.ToolID == *other.ToolID)
}
