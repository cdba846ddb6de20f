package history

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/canonical"
)

// Schema names the form of a document, with its version. Whatever says something
// else has the next number.
const Schema = "pinwright-history/1"

// How many rows of a kind a document has at most, as its JSON Schema says.
const (
	MostJoints    = 500
	MostReadings  = 20000
	MostVoids     = 20000
	MostEvents    = 5000
	MostDistances = 5000
	MostPhotos    = 2000
	MostRecords   = 500
)

// Document is a vehicle's whole history. Hash is the SHA-256 of the canonical form
// of its digests and its schema; when and by whom it was given out is outside.
type Document struct {
	Schema  string    `json:"schema"`
	Hash    string    `json:"hash"`
	MadeAt  time.Time `json:"made_at"`
	From    From      `json:"from"`
	Digests Digests   `json:"digests"`
	Content Content   `json:"content"`
}

// From is the club that gave the document out.
type From struct {
	ClubID uuid.UUID `json:"club_id"`
	Name   string    `json:"name"`
}

// Content is a document's rows, each as its text stands.
type Content = sections[json.RawMessage]

// Digests are the SHA-256 of the canonical form of each row.
type Digests = sections[string]

type sections[T any] struct {
	Vehicle    T   `json:"vehicle"`
	Joints     []T `json:"joints"`
	Readings   []T `json:"readings"`
	Voids      []T `json:"voids"`
	WearEvents []T `json:"wear_events"`
	Distances  []T `json:"distances"`
	Photos     []T `json:"photos"`
	Records    []T `json:"records"`
}

// section is one of a document's, by its name there.
type section[T any] struct {
	name string
	rows []T
}

// all are the sections in the order in which a document is read.
func all[T any](s sections[T]) []section[T] {
	return []section[T]{{"vehicle", []T{s.Vehicle}}, {"joints", s.Joints}, {"readings", s.Readings}, {"voids", s.Voids}, {"wear_events", s.WearEvents},
		{"distances", s.Distances}, {"photos", s.Photos}, {"records", s.Records}}
}

// pointer is where row i of a section stands.
func pointer(under, name string, i int) string {
	if name == "vehicle" {
		return under + "/vehicle"
	}
	return fmt.Sprintf("%s/%s/%d", under, name, i)
}

// Rows counts what d tells.
func (d Document) Rows() int {
	n := 0
	for _, s := range all(d.Content) {
		n += len(s.rows)
	}
	return n
}

// VehicleRow is the vehicle.
type VehicleRow struct {
	ID            uuid.UUID `json:"id"`
	Code          string    `json:"code"`
	Name          string    `json:"name"`
	ChassisNumber *string   `json:"chassis_number,omitempty"`
	BuiltYear     *int32    `json:"built_year,omitempty"`
}

// TargetRow is the clearance wanted; empty for none.
type TargetRow struct {
	MinNM      *int64 `json:"clearance_min_nm,omitempty"`
	MaxNM      *int64 `json:"clearance_max_nm,omitempty"`
	Fit        string `json:"fit,omitempty"`
	Thousandth bool   `json:"thousandth,omitempty"`
}

// FormRow is the means of form error to expect.
type FormRow struct {
	BellMouthNM *int64 `json:"bell_mouth_nm,omitempty"`
	OvalityNM   *int64 `json:"ovality_nm,omitempty"`
	SurfaceNM   *int64 `json:"surface_nm,omitempty"`
}

// MeansRow is how a joint can be got at; boss, access and facts are in the words of
// package vehicle.
type MeansRow struct {
	Boss     json.RawMessage `json:"boss,omitempty"`
	Access   json.RawMessage `json:"access,omitempty"`
	Guidance string          `json:"guidance,omitempty"`
	OffsetNM *int64          `json:"guidance_offset_nm,omitempty"`
}

// CylinderRow is one cylinder; of a template's it has no id.
type CylinderRow struct {
	ID        *uuid.UUID `json:"id,omitempty"`
	Code      string     `json:"code"`
	Shape     string     `json:"shape"`
	Duty      string     `json:"duty"`
	Usual     bool       `json:"usual"`
	NominalNM *int64     `json:"nominal_nm,omitempty"`
	LengthNM  *int64     `json:"length_nm,omitempty"`
}

// TemplateRow is what joints of a kind have in common, in full.
type TemplateRow struct {
	Code           string        `json:"code"`
	Name           string        `json:"name"`
	SafetyCritical bool          `json:"safety_critical"`
	Cautions       []string      `json:"cautions"`
	Target         TargetRow     `json:"target"`
	Form           FormRow       `json:"form"`
	Means          MeansRow      `json:"means"`
	Features       []CylinderRow `json:"features"`
}

// JointRow is a joint with its features. Its series of pins is the club's.
type JointRow struct {
	ID        uuid.UUID       `json:"id"`
	Position  string          `json:"position"`
	Template  TemplateRow     `json:"template"`
	Target    TargetRow       `json:"target"`
	Facts     json.RawMessage `json:"facts"`
	Means     MeansRow        `json:"means"`
	CoatingNM *int64          `json:"coating_nm,omitempty"`
	Features  []CylinderRow   `json:"features"`
}

// InstrumentRow is what measured, as far as it says how well.
type InstrumentRow struct {
	Key          uuid.UUID `json:"key"`
	Kind         string    `json:"kind"`
	State        string    `json:"state"` // on the day: calibrated, overdue or uncalibrated
	ResolutionNM *int64    `json:"resolution_nm,omitempty"`
	CalibratedOn *string   `json:"calibrated_on,omitempty"`
	DueOn        *string   `json:"due_on,omitempty"`
	ExpandedNM   *int64    `json:"expanded_uncertainty_nm,omitempty"`
	Coverage     *float64  `json:"coverage_factor,omitempty"`
}

// ReadingRow is one observation.
type ReadingRow struct {
	ID                 uuid.UUID      `json:"id"`
	Origin             uuid.UUID      `json:"origin"`
	FeatureID          uuid.UUID      `json:"feature_id"`
	Kind               string         `json:"kind"`
	SizeNM             int64          `json:"size_nm"`
	Entered            string         `json:"entered"`
	Unit               string         `json:"unit"`
	Method             *string        `json:"with,omitempty"`
	Instrument         *InstrumentRow `json:"instrument,omitempty"`
	Station            *string        `json:"station,omitempty"`
	Direction          *float64       `json:"direction_degrees,omitempty"`
	EndTried           *string        `json:"end_tried,omitempty"`
	PartLength         *bool          `json:"part_length,omitempty"`
	Deburred           *bool          `json:"deburred,omitempty"`
	Stage              string         `json:"stage"`
	Surface            string         `json:"surface"`
	TemperatureCelsius *float64       `json:"temperature_celsius,omitempty"`
	TakenAt            time.Time      `json:"taken_at"`
	Observer           uuid.UUID      `json:"observer"`
	Doubtful           *string        `json:"doubtful,omitempty"`
	Assumed            []string       `json:"assumed"`
}

// VoidRow says that something was taken back.
type VoidRow struct {
	Of         string     `json:"of"` // reading, wear_event or distance
	ID         uuid.UUID  `json:"id"`
	Origin     uuid.UUID  `json:"origin"`
	At         time.Time  `json:"at"`
	ReplacedBy *uuid.UUID `json:"replaced_by,omitempty"`
}

// EventRow is what was done to a joint.
type EventRow struct {
	ID         uuid.UUID `json:"id"`
	Origin     uuid.UUID `json:"origin"`
	JointID    uuid.UUID `json:"joint_id"`
	Kind       string    `json:"kind"`
	OccurredAt time.Time `json:"occurred_at"`
}

// DistanceRow is what the odometer showed.
type DistanceRow struct {
	ID       uuid.UUID `json:"id"`
	Origin   uuid.UUID `json:"origin"`
	Shown    float64   `json:"shown"`
	Unit     string    `json:"unit"`
	TakenAt  time.Time `json:"taken_at"`
	Replaced bool      `json:"replaced"`
	Previous *float64  `json:"previous,omitempty"`
}

// PhotoRow is that there is a photo.
type PhotoRow struct {
	ID        uuid.UUID `json:"id"`
	Origin    uuid.UUID `json:"origin"`
	JointID   uuid.UUID `json:"joint_id"`
	AddedAt   time.Time `json:"added_at"`
	MediaType string    `json:"media_type"`
	Width     int       `json:"width"`
	Height    int       `json:"height"`
	Bytes     int64     `json:"bytes"`
	Hash      string    `json:"hash"`
}

// RecordRow is the record of a repair, as it was written: Hash is the SHA-256 of
// Content's bytes.
type RecordRow struct {
	Origin  uuid.UUID `json:"origin"`
	Place   int       `json:"place"`
	Hash    string    `json:"hash"`
	MadeAt  time.Time `json:"made_at"`
	Content string    `json:"content"`
}

// digest is the SHA-256 of a row's canonical form, with that form.
func digest(row []byte) (text []byte, sum [sha256.Size]byte, err error) {
	text, err = canonical.Of(row)
	return text, sha256.Sum256(text), err
}

// hashOf is a document's hash.
func hashOf(schema string, d Digests) (string, error) {
	text, err := canonical.Marshal(struct {
		Digests Digests `json:"digests"`
		Schema  string  `json:"schema"`
	}{d, schema})
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), nil
}

// seal is the document of content, whose rows are canonical.
func seal(from From, at time.Time, content Content) (Document, error) {
	d := Document{Schema: Schema, MadeAt: at.UTC(), From: from, Content: content}
	each := func(rows []json.RawMessage) []string {
		out := make([]string, len(rows))
		for i, r := range rows {
			sum := sha256.Sum256(r)
			out[i] = hex.EncodeToString(sum[:])
		}
		return out
	}
	d.Digests = Digests{Vehicle: each([]json.RawMessage{content.Vehicle})[0], Joints: each(content.Joints), Readings: each(content.Readings), Voids: each(content.Voids),
		WearEvents: each(content.WearEvents), Distances: each(content.Distances), Photos: each(content.Photos), Records: each(content.Records)}
	var err error
	d.Hash, err = hashOf(d.Schema, d.Digests)
	return d, err
}

// keySpace is the namespace of keys that stand for people and instruments.
var keySpace = uuid.MustParse("0b8f6f0e-52c7-4f0c-9a57-1f6d1f9a2c11")

// key stands for somebody or something of a club in the document of a vehicle (a
// name-based UUID of version 8, RFC 9562, 5.8). Of another vehicle it is another.
func key(vehicle, of uuid.UUID) uuid.UUID {
	return uuid.NewHash(sha256.New(), keySpace, append(vehicle[:], of[:]...), 8)
}
