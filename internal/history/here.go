package history

import (
	"encoding/hex"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/canonical"
	"pinwright/internal/postgres"
	"pinwright/internal/vehicle"
)

// Here is what the club has of what a document tells.
type Here struct {
	vehicles  *postgres.Rows[vehicle.Vehicle]
	there     *postgres.Rows[vehicle.Joint]
	templates *postgres.Rows[vehicle.Template]
	digests   *postgres.Rows[keptDigest]
	links     *postgres.Rows[keptLink]
	ids       map[string]*postgres.Rows[idHere]
	earlier   *postgres.Rows[Import]

	kept     map[string]map[uuid.UUID][]byte
	recorded map[link]string
	here     map[string]map[uuid.UUID]uuid.UUID // by table: id and what it is of
}

type keptDigest struct {
	Section string
	RowID   uuid.UUID
	Digest  []byte
}

type keptLink struct {
	OriginID uuid.UUID
	Place    int
	Hash     []byte
}

type link struct {
	origin uuid.UUID
	place  int
}

type idHere struct{ ID, Of uuid.UUID }

const importColumns = `id, vehicle_id, member_id, made_at, hash, from_club, from_name, report`

// tables are where the rows of a document would stand, and the column that says
// what each is of.
var tables = map[string]string{"joint": "vehicle_id", "feature": "joint_id", "reading": "feature_id", "wear_event": "joint_id", "distance": "vehicle_id"}

// Look queues what the club has of what t tells; the vehicle, where it is here, is
// locked. Served by primary keys, one id at a time.
func Look(b *postgres.Batch, t *Told) *Here {
	vehicleRef := postgres.Ref{ID: &t.Vehicle.ID}
	h := &Here{vehicles: vehicle.Lock(b, vehicleRef), ids: map[string]*postgres.Rows[idHere]{}}
	h.earlier = postgres.Query[Import](b, `select `+importColumns+` from history_import where club_id = $1 and hash = $2`, b.Club, t.Hash)
	h.there = vehicle.ListJoints(b, vehicleRef, "", 100*MostJoints)
	var refs []postgres.Ref
	for _, j := range t.Joints {
		refs = append(refs, postgres.Ref{Name: j.Template.Code}, postgres.Ref{Name: otherCode(j.Template)})
	}
	h.templates = vehicle.FindTemplates(b, refs)
	h.digests = postgres.Query[keptDigest](b, `select section, row_id, digest from history_row where club_id = $1 and vehicle_id = $2`, b.Club, t.Vehicle.ID)
	h.links = postgres.Query[keptLink](b, `select origin_id, place, hash from history_record where club_id = $1 and vehicle_id = $2
		union all select club_id, place, hash from repair_record where club_id = $1 and vehicle_id = $2`, b.Club, t.Vehicle.ID)
	ids := map[string][]uuid.UUID{}
	for _, j := range t.Joints {
		ids["joint"] = append(ids["joint"], j.ID)
		for _, f := range j.Features {
			ids["feature"] = append(ids["feature"], *f.ID)
		}
	}
	ids["reading"] = postgres.Column(t.Readings, func(r ReadingRow) uuid.UUID { return r.ID })
	ids["wear_event"] = postgres.Column(t.Events, func(r EventRow) uuid.UUID { return r.ID })
	ids["distance"] = postgres.Column(t.Distances, func(r DistanceRow) uuid.UUID { return r.ID })
	for _, table := range []string{"joint", "feature", "reading", "wear_event", "distance"} {
		h.ids[table] = postgres.Query[idHere](b, `select w.id, x.`+tables[table]+` as of from unnest($2::uuid[]) as w(id) cross join lateral (select * from `+table+` where club_id = $1 and id = w.id limit 1) x`, b.Club, ids[table])
	}
	voids := postgres.Column(t.Voids, func(v VoidRow) uuid.UUID { return v.ID })
	for _, of := range []string{"reading", "wear_event", "distance"} {
		h.ids[of+"_void"] = postgres.Query[idHere](b, `select w.id, w.id as of from unnest($2::uuid[]) as w(id) cross join lateral (select 1 from `+of+`_void where club_id = $1 and `+of+`_id = w.id limit 1) x`, b.Club, voids)
	}
	return h
}

// Earlier is the import of the same content, nil where there was none.
func (h *Here) Earlier() *Import {
	if len(h.earlier.Items) == 0 {
		return nil
	}
	return &h.earlier.Items[0]
}

// Sort makes what was found ready for Take; it is there once its batch was sent.
func (h *Here) Sort() *Here {
	h.kept, h.recorded, h.here = map[string]map[uuid.UUID][]byte{}, map[link]string{}, map[string]map[uuid.UUID]uuid.UUID{}
	for _, d := range h.digests.Items {
		if h.kept[d.Section] == nil {
			h.kept[d.Section] = map[uuid.UUID][]byte{}
		}
		h.kept[d.Section][d.RowID] = d.Digest
	}
	for _, l := range h.links.Items {
		h.recorded[link{l.OriginID, l.Place}] = hex.EncodeToString(l.Hash)
	}
	for table, rows := range h.ids {
		h.here[table] = map[uuid.UUID]uuid.UUID{}
		for _, r := range rows.Items {
			h.here[table][r.ID] = r.Of
		}
	}
	return h
}

// textOf is a row's canonical form.
func textOf(row any) string {
	text, err := canonical.Marshal(row)
	if err != nil {
		panic("history: " + err.Error()) // plain members of ours
	}
	return string(text)
}

// otherCode is what a template is called where its code is another's here: the
// same whenever it comes.
func otherCode(t TemplateRow) string {
	_, sum, err := digest([]byte(textOf(t)))
	if err != nil {
		panic("history: " + err.Error())
	}
	return t.Code[:min(len(t.Code), 47)] + "-" + hex.EncodeToString(sum[:6])
}

// templateFor is the club's template that says what t says, or a new one.
func (k *taking) templateFor(t TemplateRow) vehicle.Template {
	want := textOf(t)
	for i, have := range k.templates.Items {
		says := templateRow(have)
		if says.Code == otherCode(t) {
			says.Code = t.Code
		}
		if textOf(says) == want {
			return k.templates.Items[i]
		}
	}
	made := vehicle.Template{ID: uuid.Must(uuid.NewV7()), Code: t.Code, Name: t.Name, SafetyCritical: t.SafetyCritical, Cautions: t.Cautions, Target: t.Target.target(),
		Form: vehicle.Form{BellMouthNM: t.Form.BellMouthNM, OvalityNM: t.Form.OvalityNM, SurfaceNM: t.Form.SurfaceNM}, Means: t.Means.means(), Version: 1}
	if made.Guidance == "" {
		made.Guidance = vehicle.Floating
	}
	for _, f := range t.Features {
		made.Features = append(made.Features, f.cylinder())
	}
	if slices.ContainsFunc(k.templates.Items, func(have vehicle.Template) bool { return have.Code == t.Code }) {
		made.Code = otherCode(t)
	}
	k.templates.Items = append(k.templates.Items, made)
	return made
}
