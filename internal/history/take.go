package history

import (
	"cmp"
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
	"pinwright/internal/vehicle"
	"pinwright/internal/wear"
)

// Import is a document that was taken in.
type Import struct {
	ID        uuid.UUID
	VehicleID uuid.UUID
	MemberID  uuid.UUID
	MadeAt    time.Time
	Hash      []byte
	FromClub  uuid.UUID
	FromName  string
	Report    []byte
}

// FindImport looks up what was taken in.
func FindImport(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Import] {
	return postgres.Query[Import](b, `select `+importColumns+` from history_import where club_id = $1 and id = $2`, b.Club, id)
}

// ListImports lists what was taken in, newest first, behind the one given. Served
// by history_import_pkey.
func ListImports(b *postgres.Batch, after uuid.UUID, limit int) *postgres.Rows[Import] {
	return postgres.Query[Import](b, `select `+importColumns+` from history_import where club_id = $1 and id < $2 order by id desc limit $3`, b.Club, after, limit)
}

// taking is a document on its way in.
type taking struct {
	*Told
	*Here
	tx     *postgres.Tx
	actor  uuid.UUID
	id     uuid.UUID
	report *Report

	shapes   map[uuid.UUID]string // of the features that are here, or will be
	joints   map[uuid.UUID]bool   // that are here, or will be
	counts   map[uuid.UUID]bool   // readings, events and distances that are here, or will be
	rows     []keptAs             // to be kept as they came
	known    int                  // of the templates, how many the club had
	newRows  []vehicle.Joint
	newReads []reading.Reading
}

type keptAs struct {
	section string
	id      uuid.UUID
	origin  *uuid.UUID
	kept
}

// Take puts what t tells and h lacks into the club. Owner is whose the vehicle
// is to be, code what it is to be called; of one that is here they change nothing.
func Take(tx *postgres.Tx, actor, owner uuid.UUID, code string, t *Told, h *Here) (Import, error) {
	k := &taking{Told: t, Here: h, tx: tx, actor: actor, id: uuid.Must(uuid.NewV7()), report: &Report{Hash: hex.EncodeToString(t.Hash), VehicleID: t.Vehicle.ID, LeftOut: []LeftOut{}},
		shapes: map[uuid.UUID]string{}, joints: map[uuid.UUID]bool{}, counts: map[uuid.UUID]bool{}, known: len(h.templates.Items)}
	if err := k.chains(); err != nil {
		return Import{}, err
	}
	v, fresh := k.vehicleOf(owner, code)
	k.report.Vehicle = v.Code
	if fresh {
		vehicle.AddAll(tx, actor, []vehicle.Vehicle{v}).RunAgainOn("vehicle_pkey").Refuse("vehicle_code", problem.New(problem.NameTaken, "Another vehicle has the code %q here. Give this one another by ?code=.", v.Code))
		k.keep("vehicle", v.ID, nil, t.texts["vehicle"][0])
	}
	k.takeJoints(v)
	k.takeReadings()
	events := k.takeEvents()
	distances := k.takeDistances(v)
	k.takePhotos()
	if len(k.newRows) > 0 {
		vehicle.AddJoints(tx, actor, k.newRows).RunAgainOn("joint_pkey").RunAgainOn("joint_position")
	}
	reading.Adopt(tx, actor, k.newReads)
	wear.AdoptEvents(tx, actor, events)
	wear.AdoptDistances(tx, actor, distances)
	k.takeVoids()
	records := k.takeRecords()
	k.report.tell(t.From.Name, fresh)
	text, err := json.Marshal(k.report)
	if err != nil {
		return Import{}, err
	}
	i := Import{ID: k.id, VehicleID: v.ID, MemberID: actor, MadeAt: tx.Now.UTC().Truncate(time.Microsecond), Hash: t.Hash, FromClub: t.From.ClubID, FromName: t.From.Name, Report: text}
	tx.Queue(`insert into history_import (club_id, id, vehicle_id, member_id, made_at, hash, from_club, from_name, report) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, i.ID, i.VehicleID, i.MemberID, i.MadeAt, i.Hash, i.FromClub, i.FromName, i.Report).RunAgainOn("history_import_once")
	k.writeRows()
	hashes := k.writeRecords(records)
	journal.Append(tx, journal.Event{Type: "history.imported", Subject: i.ID, Version: 1, Audience: journal.ForClub, Actor: actor}, taken{i.ID, i.VehicleID, i.FromClub, hex.EncodeToString(i.Hash), hashes})
	return i, nil
}

// taken is what the journal binds of an import; pinwright verify works it out anew.
type taken struct {
	ID        uuid.UUID
	VehicleID uuid.UUID
	FromClub  uuid.UUID
	Hash      string
	Records   []string // hashes of those that came with it, by origin and place
}

func (k *taking) keep(section string, id uuid.UUID, origin *uuid.UUID, text kept) {
	k.rows = append(k.rows, keptAs{section, id, origin, text})
}

// vehicleOf is the vehicle as it is here, or as it will be.
func (k *taking) vehicleOf(owner uuid.UUID, code string) (v vehicle.Vehicle, fresh bool) {
	if len(k.vehicles.Items) == 1 {
		v = k.vehicles.Items[0]
		if k.different("vehicle", v.ID, k.texts["vehicle"][0]) {
			k.leave("vehicle", 0, v.ID, "Is told otherwise than it came before. What is here stays; edit it by hand.")
		}
		return v, false
	}
	v = vehicle.Vehicle{ID: k.Told.Vehicle.ID, Code: k.Told.Vehicle.Code, Name: k.Told.Vehicle.Name, BuiltYear: k.Told.Vehicle.BuiltYear, MemberID: owner, Version: 1}
	if code != "" {
		v.Code = code
	}
	if faults := v.SetChassisNumber(k.Told.Vehicle.ChassisNumber); len(faults) > 0 {
		k.leave("vehicle", 0, v.ID, "Its chassis number is left out: it "+faults[0].Detail+".")
	}
	return v, true
}

// own reports that a row says it is of this club, which would have it.
func (k *taking) own(section string, i int, id, origin uuid.UUID) bool {
	if origin != k.tx.Club {
		return false
	}
	k.leave(section, i, id, "Is said to be of this club, which has no such row.")
	return true
}

// foreign reports that an id is another thing's here.
func (k *taking) foreign(section string, i int, id uuid.UUID, is bool) bool {
	if is {
		k.leave(section, i, id, "Its id stands for something else in this club.")
	}
	return is
}

func (k *taking) takeReadings() {
	for i, r := range k.Readings {
		if of, here := k.here["reading"][r.ID]; here {
			if !k.foreign("readings", i, r.ID, of != r.FeatureID) {
				k.counts[r.ID] = true
				k.report.There.Readings++
				if k.different("reading", r.ID, k.texts["readings"][i]) {
					k.leave("readings", i, r.ID, "Is told otherwise than it came before. What is here stays.")
				}
			}
			continue
		}
		shape, known := k.shapes[r.FeatureID]
		if !known {
			k.leave("readings", i, r.ID, "Its joint was not taken.")
			continue
		}
		if k.own("readings", i, r.ID, r.Origin) {
			continue
		}
		origin := r.Origin
		one := reading.Reading{ID: r.ID, FeatureID: r.FeatureID, Kind: r.Kind, Size: length.Length(r.SizeNM), Entered: r.Entered, EnteredUnit: r.Unit, Method: r.Method, Station: r.Station,
			DirectionDegrees: r.Direction, EndTried: r.EndTried, PartLength: r.PartLength, Deburred: r.Deburred, Stage: r.Stage, Surface: r.Surface, TemperatureCelsius: r.TemperatureCelsius,
			TakenAt: r.TakenAt.UTC().Truncate(time.Microsecond), ReceivedAt: k.tx.Now.UTC().Truncate(time.Microsecond), MemberID: k.actor, Doubtful: r.Doubtful, Assumed: r.Assumed,
			Fingerprint: k.texts["readings"][i].digest, OriginID: &origin}
		if faults := one.Sound(shape, k.tx.Now); len(faults) > 0 {
			k.leave("readings", i, r.ID, "Cannot be taken: "+faults[0].Pointer+" "+faults[0].Detail+".")
			continue
		}
		k.counts[r.ID] = true
		k.report.Taken.Readings++
		k.newReads = append(k.newReads, one)
		k.keep("reading", r.ID, &origin, k.texts["readings"][i])
	}
}

func (k *taking) takeEvents() (out []wear.Event) {
	for i, e := range k.Events {
		if of, here := k.here["wear_event"][e.ID]; here {
			if !k.foreign("wear_events", i, e.ID, of != e.JointID) {
				k.counts[e.ID] = true
				k.report.There.WearEvents++
			}
			continue
		}
		if !k.joints[e.JointID] {
			k.leave("wear_events", i, e.ID, "Its joint was not taken.")
			continue
		}
		if k.own("wear_events", i, e.ID, e.Origin) {
			continue
		}
		if faults := wear.Ahead("", e.OccurredAt, k.tx.Now); len(faults) > 0 {
			k.leave("wear_events", i, e.ID, "It "+faults[0].Detail+".")
			continue
		}
		k.counts[e.ID] = true
		k.report.Taken.WearEvents++
		out = append(out, wear.Event{ID: e.ID, JointID: e.JointID, Kind: e.Kind, OccurredAt: e.OccurredAt, MemberID: k.actor, RecordedAt: k.tx.Now.UTC()})
		k.keep("wear_event", e.ID, &k.Events[i].Origin, k.texts["wear_events"][i])
	}
	return out
}

func (k *taking) takeDistances(v vehicle.Vehicle) (out []wear.Distance) {
	for i, d := range k.Distances {
		if of, here := k.here["distance"][d.ID]; here {
			if !k.foreign("distances", i, d.ID, of != v.ID) {
				k.counts[d.ID] = true
				k.report.There.Distances++
			}
			continue
		}
		if k.own("distances", i, d.ID, d.Origin) {
			continue
		}
		faults := wear.Ahead("", d.TakenAt, k.tx.Now)
		if d.Previous != nil && !d.Replaced {
			faults = append(faults, problem.Fault{Detail: "tells what the odometer showed before, and not that it was replaced"})
		}
		if len(faults) > 0 {
			k.leave("distances", i, d.ID, "It "+faults[0].Detail+".")
			continue
		}
		k.counts[d.ID] = true
		k.report.Taken.Distances++
		out = append(out, wear.Distance{ID: d.ID, VehicleID: v.ID, Shown: d.Shown, Unit: d.Unit, TakenAt: d.TakenAt, Replaced: d.Replaced, Previous: d.Previous, MemberID: k.actor, RecordedAt: k.tx.Now.UTC()})
		k.keep("distance", d.ID, &k.Distances[i].Origin, k.texts["distances"][i])
	}
	return out
}

// takePhotos keeps that there are photos; no picture comes along.
func (k *taking) takePhotos() {
	for i, p := range k.Photos {
		switch _, came := k.kept["photo"][p.ID]; {
		case came || p.Origin == k.tx.Club:
			k.report.There.Photos++
		case !k.joints[p.JointID]:
			k.leave("photos", i, p.ID, "Its joint was not taken.")
		default:
			k.report.Taken.Photos++
			k.keep("photo", p.ID, &k.Photos[i].Origin, k.texts["photos"][i])
		}
	}
}

func (k *taking) takeVoids() {
	var readings []reading.Withdrawn
	events, distances := map[uuid.UUID]time.Time{}, map[uuid.UUID]time.Time{}
	for i, v := range k.Voids {
		if _, here := k.here[v.Of+"_void"][v.ID]; here {
			k.report.There.Voids++
			continue
		}
		if !k.counts[v.ID] {
			k.leave("voids", i, v.ID, "What it takes back was not taken.")
			continue
		}
		if k.own("voids", i, v.ID, v.Origin) {
			continue
		}
		switch v.Of {
		case "reading":
			by := v.ReplacedBy
			if by != nil && !k.counts[*by] {
				by = nil
			}
			readings = append(readings, reading.Withdrawn{ID: v.ID, At: v.At, ReplacedBy: by})
		case "wear_event":
			events[v.ID] = v.At
		default:
			distances[v.ID] = v.At
		}
		k.report.Taken.Voids++
		k.keep("void", v.ID, &k.Voids[i].Origin, k.texts["voids"][i])
	}
	reading.AdoptVoids(k.tx, k.actor, readings)
	wear.AdoptVoids(k.tx, k.actor, events, distances)
}

// chains refuses records that contradict those that came before.
func (k *taking) chains() error {
	for i, r := range k.Records {
		if before, came := k.recorded[link{r.Origin, r.Place}]; came && before != r.Hash {
			return broken(pointer("/content", "records", i), "is another than the one that came in before at its place (%s); one of the two documents was changed", before)
		}
	}
	return nil
}

// takeRecords are the records that are new.
func (k *taking) takeRecords() (out []RecordRow) {
	for i, r := range k.Records {
		if _, came := k.recorded[link{r.Origin, r.Place}]; came {
			k.report.There.Records++
			continue
		}
		if r.Origin == k.tx.Club {
			k.leave("records", i, r.Origin, "Is said to be of this club, which has no such record.")
			continue
		}
		out = append(out, r)
		k.report.Taken.Records++
	}
	slices.SortFunc(out, func(x, y RecordRow) int {
		return cmp.Or(slices.Compare(x.Origin[:], y.Origin[:]), cmp.Compare(x.Place, y.Place))
	})
	return out
}

// writeRecords keeps records, and returns their hashes.
func (k *taking) writeRecords(records []RecordRow) []string {
	hashes := []string{}
	for _, r := range records {
		hash, _ := hex.DecodeString(r.Hash) // it was held to its content
		var previous []byte
		if r.Place > 1 {
			previous, _ = hex.DecodeString(r.previous())
		}
		k.tx.Queue(`insert into history_record (club_id, vehicle_id, origin_id, place, previous, hash, content, made_at, import_id) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			k.tx.Club, k.Told.Vehicle.ID, r.Origin, r.Place, previous, hash, r.Content, r.MadeAt, k.id).RunAgainOn("history_record_pkey")
		hashes = append(hashes, r.Hash)
	}
	return hashes
}

func (k *taking) writeRows() {
	k.tx.Queue(`insert into history_row (club_id, vehicle_id, section, row_id, import_id, origin_id, content, digest)
		select $1, $2, section, row_id, $3, origin_id, content, digest from unnest($4::text[], $5::uuid[], $6::uuid[], $7::text[], $8::bytea[]) as u(section, row_id, origin_id, content, digest) order by section, row_id`,
		k.tx.Club, k.Told.Vehicle.ID, k.id, postgres.Column(k.rows, func(r keptAs) string { return r.section }), postgres.Column(k.rows, func(r keptAs) uuid.UUID { return r.id }),
		postgres.Column(k.rows, func(r keptAs) *uuid.UUID { return r.origin }), postgres.Column(k.rows, func(r keptAs) string { return r.text }),
		postgres.Column(k.rows, func(r keptAs) []byte { return r.digest })).RunAgainOn("history_row_pkey")
}

// different reports that a row came before with other content.
func (k *taking) different(section string, id uuid.UUID, now kept) bool {
	before, came := k.kept[section][id]
	return came && !slices.Equal(before, now.digest)
}

// leave tells that a row is not taken.
func (k *taking) leave(section string, i int, id uuid.UUID, text string) {
	k.report.LeftOutCount++
	if len(k.report.LeftOut) < mostLeftOut {
		k.report.LeftOut = append(k.report.LeftOut, LeftOut{At: pointer("/content", section, i), ID: id, Text: text})
	}
}
