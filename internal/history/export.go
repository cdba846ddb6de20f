package history

import (
	"cmp"
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/canonical"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

// Asked is what a document is made of; it is there once its batch was sent.
type Asked struct {
	vehicle   *postgres.Rows[vehicle.Vehicle]
	consents  *postgres.Rows[Consent]
	club      *postgres.Rows[string]
	joints    *postgres.Rows[vehicle.Joint]
	templates *postgres.Rows[vehicle.Template]
	readings  *postgres.Rows[ownReading]
	voids     *postgres.Rows[VoidRow]
	events    *postgres.Rows[EventRow]
	distances *postgres.Rows[DistanceRow]
	photos    *postgres.Rows[ownPhoto]
	records   *postgres.Rows[keptRecord]
	kept      *postgres.Rows[keptRow]
}

type ownReading struct {
	ID           uuid.UUID
	FeatureID    uuid.UUID
	Kind         string
	SizeNM       int64
	Entered      string
	Unit         string
	Method       *string
	InstrumentID *uuid.UUID
	Station      *string
	Direction    *float64
	EndTried     *string
	PartLength   *bool
	Deburred     *bool
	Stage        string
	Surface      string
	Celsius      *float64
	TakenAt      time.Time
	MemberID     uuid.UUID
	Doubtful     *string
	Assumed      []string
	ToolKind     *string
	ResolutionNM *int64
	CalibratedOn *string
	DueOn        *string
	Overdue      *bool
	ExpandedNM   *int64
	Coverage     *float64
}

type ownPhoto struct {
	ID            uuid.UUID
	JointID       uuid.UUID
	AddedAt       time.Time
	MediaType     string
	Width, Height int
	Bytes         int64
	Hash          []byte
}

type keptRecord struct {
	OriginID uuid.UUID
	Place    int
	Hash     []byte
	Content  string
	MadeAt   time.Time
}

type keptRow struct {
	Section string
	RowID   uuid.UUID
	Content string
}

// notKept leaves out what came from elsewhere, which is given out as it came. One
// row at a time: a join would be planned as one over all of the club's.
func notKept(section, id string) string {
	return ` and (select 1 from history_row h where h.club_id = $1 and h.vehicle_id` + theVehicle + ` and h.section = '` + section + `' and h.row_id = ` + id + `) is null`
}

// Ask queues what the document of a vehicle is made of. Served by joint_position, feature_code,
// reading_of_feature, the voids' keys, wear_event_of_joint, distance_of_vehicle, photo_of_joint, repair_record_place and history_row's key.
func Ask(b *postgres.Batch, of postgres.Ref) *Asked {
	const features = ` from joint j join feature f on f.club_id = j.club_id and f.joint_id = j.id `
	const ofVehicle = ` where j.club_id = $1 and j.vehicle_id` + theVehicle
	const replaced = `, null::uuid as replaced_by, '00000000-0000-0000-0000-000000000000'::uuid as origin`
	return &Asked{
		vehicle:   vehicle.Find(b, of),
		consents:  ListConsents(b, of, uuid.Max, 50),
		club:      postgres.Values[string](b, `select name from club where club_id = $1`, b.Club),
		joints:    vehicle.ListJoints(b, of, "", MostJoints+1),
		templates: vehicle.TemplatesOf(b, of),
		readings: postgres.Query[ownReading](b, `
			select r.id, r.feature_id, r.kind, r.size_nm, r.entered::text as entered, r.entered_unit as unit, r.method, r.instrument_id, r.station, r.direction_degrees as direction, r.end_tried,
			       r.part_length, r.deburred, r.stage, r.surface, r.temperature_celsius as celsius, r.taken_at, r.member_id, r.doubtful, r.assumed,
			       m.kind as tool_kind, m.resolution_nm, to_char(k.calibrated_on, 'YYYY-MM-DD') as calibrated_on, to_char(k.due_on, 'YYYY-MM-DD') as due_on,
			       k.due_on < (r.taken_at at time zone 'UTC')::date as overdue, k.expanded_nm, k.coverage_factor as coverage`+features+`
			join reading r on r.club_id = f.club_id and r.feature_id = f.id
			left join tool t on t.club_id = r.club_id and t.id = r.instrument_id
			left join tool_model m on m.club_id = t.club_id and m.id = t.model_id
			left join lateral (select * from calibration c where c.club_id = t.club_id and c.tool_id = t.id and c.calibrated_on <= (r.taken_at at time zone 'UTC')::date
				order by c.calibrated_on desc, c.id desc limit 1) k on true`+ofVehicle+` and r.origin_id is null limit $4`, b.Club, of.ID, of.Name, MostReadings+1),
		voids: postgres.Query[VoidRow](b, `
			select 'reading' as of, v.reading_id as id, v.at, v.replaced_by, '00000000-0000-0000-0000-000000000000'::uuid as origin`+features+`join reading r on r.club_id = f.club_id and r.feature_id = f.id
				join reading_void v on v.club_id = r.club_id and v.reading_id = r.id`+ofVehicle+notKept("void", "v.reading_id")+`
			union all select 'wear_event', v.wear_event_id, v.at`+replaced+` from joint j join wear_event e on e.club_id = j.club_id and e.joint_id = j.id
				join wear_event_void v on v.club_id = e.club_id and v.wear_event_id = e.id`+ofVehicle+notKept("void", "v.wear_event_id")+`
			union all select 'distance', v.distance_id, v.at`+replaced+` from distance d join distance_void v on v.club_id = d.club_id and v.distance_id = d.id
				where d.club_id = $1 and d.vehicle_id`+theVehicle+notKept("void", "v.distance_id")+` limit $4`, b.Club, of.ID, of.Name, MostVoids+1),
		events: postgres.Query[EventRow](b, `select e.id, e.joint_id, e.kind, e.occurred_at, '00000000-0000-0000-0000-000000000000'::uuid as origin
			from joint j join wear_event e on e.club_id = j.club_id and e.joint_id = j.id`+ofVehicle+notKept("wear_event", "e.id")+` limit $4`, b.Club, of.ID, of.Name, MostEvents+1),
		distances: postgres.Query[DistanceRow](b, `select d.id, d.shown, d.unit, d.taken_at, d.replaced, d.previous, '00000000-0000-0000-0000-000000000000'::uuid as origin
			from distance d where d.club_id = $1 and d.vehicle_id`+theVehicle+notKept("distance", "d.id")+` limit $4`, b.Club, of.ID, of.Name, MostDistances+1),
		photos: postgres.Query[ownPhoto](b, `select p.id, p.joint_id, p.added_at, i.media_type, i.width, i.height, octet_length(i.data)::bigint as bytes, i.hash
			from joint j join photo p on p.club_id = j.club_id and p.joint_id = j.id join photo_image i on i.club_id = p.club_id and i.photo_id = p.id and i.size = 'full'`+ofVehicle+` limit $4`,
			b.Club, of.ID, of.Name, MostPhotos+1),
		records: postgres.Query[keptRecord](b, `select $1::uuid as origin_id, k.place, k.hash, k.content, k.made_at from repair_record k where k.club_id = $1 and k.vehicle_id`+theVehicle+`
			union all select h.origin_id, h.place, h.hash, h.content, h.made_at from history_record h where h.club_id = $1 and h.vehicle_id`+theVehicle+` limit $4`, b.Club, of.ID, of.Name, MostRecords+1),
		kept: postgres.Query[keptRow](b, `select h.section, h.row_id, h.content from history_row h where h.club_id = $1 and h.vehicle_id`+theVehicle, b.Club, of.ID, of.Name),
	}
}

// Vehicle is the one whose history it is.
func (a *Asked) Vehicle() (vehicle.Vehicle, error) { return a.vehicle.One() }

// Consent is one that stands, or the refusal that says how to get one.
func (a *Asked) Consent(now time.Time) (Consent, error) {
	for _, c := range a.consents.Items {
		if c.Live(now) {
			return c, nil
		}
	}
	return Consent{}, problem.New(problem.NotAllowedNow, "No consent of the vehicle's owner stands now. The owner gives it by POST …/vehicles/{vehicle}/history-consents; an officer records one on paper there, with a note.")
}

// Note keeps that d was given out by a consent; a consent that was withdrawn
// meanwhile refuses it.
func Note(tx *postgres.Tx, actor uuid.UUID, c Consent, d Document) error {
	hash, err := hex.DecodeString(d.Hash)
	if err != nil {
		return err
	}
	e := Export{ID: uuid.Must(uuid.NewV7()), ConsentID: c.ID, MemberID: actor, MadeAt: tx.Now.UTC(), Hash: hash, Rows: d.Rows()}
	tx.Queue(`insert into history_export (club_id, id, vehicle_id, consent_id, member_id, made_at, hash, rows) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, e.ID, c.VehicleID, e.ConsentID, e.MemberID, e.MadeAt, e.Hash, e.Rows).RunAgainOn("history_export_consented")
	journal.Append(tx, journal.Event{Type: "history.exported", Subject: e.ID, Version: 1, Audience: journal.ForOfficers, Actor: actor}, e)
	return nil
}

// placed is a row with where it stands among the others of its section.
type placed struct {
	at   time.Time
	id   uuid.UUID
	text json.RawMessage
}

// Document is the vehicle's history, given out by a club at a time.
func (a *Asked) Document(club uuid.UUID, now time.Time) (Document, error) {
	v, err := a.vehicle.One()
	if err != nil {
		return Document{}, err
	}
	g := gathered{vehicle: v.ID, club: club, rows: map[string][]placed{}}
	kept := map[string]map[uuid.UUID]string{}
	for _, k := range a.kept.Items {
		if kept[k.Section] == nil {
			kept[k.Section] = map[uuid.UUID]string{}
		}
		kept[k.Section][k.RowID] = k.Content
	}
	// Vehicle and joints go on as they came for as long as nobody changed them here.
	if text, is := kept["vehicle"][v.ID]; is && v.Version == 1 {
		g.add("vehicle", time.Time{}, v.ID, json.RawMessage(text))
	} else {
		g.add("vehicle", time.Time{}, v.ID, VehicleRow{ID: v.ID, Code: v.Code, Name: v.Name, ChassisNumber: v.ChassisNumber, BuiltYear: v.BuiltYear})
	}
	templates := map[uuid.UUID]vehicle.Template{}
	for _, t := range a.templates.Items {
		templates[t.ID] = t
	}
	for _, j := range a.joints.Items {
		if text, is := kept["joint"][j.ID]; is && unchanged(j) {
			g.add("joint", time.Time{}, j.ID, json.RawMessage(text))
			continue
		}
		g.add("joint", time.Time{}, j.ID, jointRow(j, templates[j.TemplateID]))
	}
	for _, section := range []string{"reading", "void", "wear_event", "distance", "photo"} {
		for id, text := range kept[section] {
			g.add(section, time.Time{}, id, json.RawMessage(text))
		}
	}
	for _, r := range a.readings.Items {
		g.add("reading", r.TakenAt, r.ID, r.row(v.ID, club))
	}
	for _, r := range a.events.Items {
		r.Origin, r.OccurredAt = club, r.OccurredAt.UTC()
		g.add("wear_event", r.OccurredAt, r.ID, r)
	}
	for _, r := range a.distances.Items {
		r.Origin, r.TakenAt = club, r.TakenAt.UTC()
		g.add("distance", r.TakenAt, r.ID, r)
	}
	told := map[uuid.UUID]bool{}
	for _, section := range []string{"reading", "wear_event", "distance"} {
		for _, r := range g.rows[section] {
			told[r.id] = true
		}
	}
	for _, r := range a.voids.Items {
		if !told[r.ID] { // it came in and went while this was read
			continue
		}
		r.Origin, r.At = club, r.At.UTC()
		g.add("void", r.At, r.ID, r)
	}
	for _, p := range a.photos.Items {
		g.add("photo", p.AddedAt, p.ID, PhotoRow{ID: p.ID, Origin: club, JointID: p.JointID, AddedAt: p.AddedAt.UTC(), MediaType: p.MediaType, Width: p.Width, Height: p.Height, Bytes: p.Bytes, Hash: hex.EncodeToString(p.Hash)})
	}
	slices.SortFunc(a.records.Items, func(x, y keptRecord) int {
		return cmp.Or(slices.Compare(x.OriginID[:], y.OriginID[:]), cmp.Compare(x.Place, y.Place))
	})
	for _, r := range a.records.Items {
		g.add("record", time.Time{}, uuid.Nil, RecordRow{Origin: r.OriginID, Place: r.Place, Hash: hex.EncodeToString(r.Hash), MadeAt: r.MadeAt.UTC(), Content: r.Content})
	}
	content, err := g.content()
	if err != nil {
		return Document{}, err
	}
	name := ""
	if len(a.club.Items) == 1 {
		name = a.club.Items[0]
	}
	return seal(From{ClubID: club, Name: name}, now, content)
}

// unchanged reports whether j and its features are as they were made.
func unchanged(j vehicle.Joint) bool {
	return j.Version == 1 && !slices.ContainsFunc(j.Features, func(f vehicle.Feature) bool { return f.Version != 1 })
}

// gathered are the rows of a document on their way into it.
type gathered struct {
	vehicle, club uuid.UUID
	rows          map[string][]placed
	err           error
}

func (g *gathered) add(section string, at time.Time, id uuid.UUID, row any) {
	text, kept := row.(json.RawMessage)
	var err error
	if !kept {
		text, err = canonical.Marshal(row)
	} else {
		at, err = timeOf(section, text)
	}
	if err != nil && g.err == nil {
		g.err = err
	}
	g.rows[section] = append(g.rows[section], placed{at, id, text})
}

// timeOf is when a row that came from elsewhere says that it was.
func timeOf(section string, text json.RawMessage) (time.Time, error) {
	var says struct {
		TakenAt    time.Time `json:"taken_at"`
		OccurredAt time.Time `json:"occurred_at"`
		AddedAt    time.Time `json:"added_at"`
		At         time.Time `json:"at"`
	}
	err := json.Unmarshal(text, &says)
	switch section {
	case "reading", "distance":
		return says.TakenAt, err
	case "wear_event":
		return says.OccurredAt, err
	case "photo":
		return says.AddedAt, err
	case "void":
		return says.At, err
	}
	return time.Time{}, err
}

// content puts the rows in order, and refuses what is more than a document holds.
func (g *gathered) content() (Content, error) {
	if g.err != nil {
		return Content{}, g.err
	}
	take := func(section string, most int) []json.RawMessage {
		rows := g.rows[section]
		if len(rows) > most && g.err == nil {
			g.err = problem.New(problem.NotAllowedNow, "The vehicle has more than %d rows of the kind %q, which is more than one document holds. A club that moves as a whole takes its export instead: pinwright leave.", most, section)
		}
		if section != "record" {
			slices.SortFunc(rows, func(x, y placed) int { return cmp.Or(x.at.Compare(y.at), slices.Compare(x.id[:], y.id[:])) })
		}
		return postgres.Column(rows, func(p placed) json.RawMessage { return p.text })
	}
	out := Content{Vehicle: g.rows["vehicle"][0].text, Joints: take("joint", MostJoints), Readings: take("reading", MostReadings), Voids: take("void", MostVoids),
		WearEvents: take("wear_event", MostEvents), Distances: take("distance", MostDistances), Photos: take("photo", MostPhotos), Records: take("record", MostRecords)}
	return out, g.err
}

// row is r as a document tells it.
func (r ownReading) row(of, club uuid.UUID) ReadingRow {
	out := ReadingRow{ID: r.ID, Origin: club, FeatureID: r.FeatureID, Kind: r.Kind, SizeNM: r.SizeNM, Entered: r.Entered, Unit: r.Unit, Method: r.Method, Station: r.Station, Direction: r.Direction,
		EndTried: r.EndTried, PartLength: r.PartLength, Deburred: r.Deburred, Stage: r.Stage, Surface: r.Surface, TemperatureCelsius: r.Celsius, TakenAt: r.TakenAt.UTC(),
		Observer: key(of, r.MemberID), Doubtful: r.Doubtful, Assumed: r.Assumed}
	if r.Assumed == nil {
		out.Assumed = []string{}
	}
	if r.InstrumentID == nil || r.ToolKind == nil {
		return out
	}
	i := &InstrumentRow{Key: key(of, *r.InstrumentID), Kind: *r.ToolKind, State: "uncalibrated", ResolutionNM: r.ResolutionNM, CalibratedOn: r.CalibratedOn, DueOn: r.DueOn, ExpandedNM: r.ExpandedNM, Coverage: r.Coverage}
	switch {
	case r.Overdue == nil:
	case *r.Overdue:
		i.State = "overdue"
	default:
		i.State = "calibrated"
	}
	out.Instrument = i
	return out
}

func targetRow(t vehicle.Target) TargetRow {
	return TargetRow{MinNM: t.MinNM, MaxNM: t.MaxNM, Fit: t.Fit, Thousandth: t.Thousandth}
}

func meansRow(m vehicle.Means) MeansRow {
	return MeansRow{Boss: jsonOf(m.Boss), Access: jsonOf(m.Access), Guidance: m.Guidance, OffsetNM: m.OffsetNM}
}

// jsonOf is the text of plain members of ours.
func jsonOf(v any) json.RawMessage {
	text, err := json.Marshal(v)
	if err != nil {
		panic("history: " + err.Error())
	}
	return text
}

func cylinderRow(c vehicle.Cylinder, id *uuid.UUID) CylinderRow {
	return CylinderRow{ID: id, Code: c.Code, Shape: c.Shape, Duty: c.Duty, Usual: c.Usual, NominalNM: c.NominalNM, LengthNM: c.LengthNM}
}

func templateRow(t vehicle.Template) TemplateRow {
	out := TemplateRow{Code: t.Code, Name: t.Name, SafetyCritical: t.SafetyCritical, Cautions: t.Cautions, Target: targetRow(t.Target),
		Form: FormRow{t.Form.BellMouthNM, t.Form.OvalityNM, t.Form.SurfaceNM}, Means: meansRow(t.Means), Features: []CylinderRow{}}
	if out.Cautions == nil {
		out.Cautions = []string{}
	}
	for _, f := range t.Features {
		out.Features = append(out.Features, cylinderRow(f, nil))
	}
	return out
}

func jointRow(j vehicle.Joint, t vehicle.Template) JointRow {
	out := JointRow{ID: j.ID, Position: j.Position, Template: templateRow(t), Target: targetRow(j.OwnTarget), Facts: jsonOf(j.Facts), Means: meansRow(j.OwnMeans), CoatingNM: j.CoatingNM, Features: []CylinderRow{}}
	for i, f := range j.Features {
		out.Features = append(out.Features, cylinderRow(f.Cylinder, &j.Features[i].ID))
	}
	return out
}
