package wear

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
	"pinwright/internal/recommend"
)

var (
	jointID, boreID, pinID, gaugeID = uuid.New(), uuid.New(), uuid.New(), uuid.New()
	calibratedOn, dueOn             = on("2019-01-01"), on("2039-01-01")
)

// joint is what is known of a joint with a bore of 8 mm, read as given, and a
// pin of one series.
func joint(readings []reading.Observation, events []Event, distances []Distance) *Known {
	nominal, low, high := int64(8_000_000), int64(50_000), int64(150_000)
	return &Known{
		snapshot: &recommend.Snapshot{
			Joints: &postgres.Rows[recommend.JointRow]{Items: []recommend.JointRow{{ID: jointID, Position: "left", Guidance: "floating", ClearanceMinNm: &low, ClearanceMaxNm: &high}}},
			Features: &postgres.Rows[recommend.FeatureRow]{Items: []recommend.FeatureRow{
				{ID: pinID, JointID: jointID, Code: "pin", Shape: "pin", Duty: "running", NominalNm: &nominal},
				{ID: boreID, JointID: jointID, Code: "bore", Shape: "bore", Duty: "running", NominalNm: &nominal, Usual: true}}},
			Readings: &postgres.Rows[reading.Observation]{Items: readings},
			Steps:    &postgres.Rows[recommend.StepRow]{Items: []recommend.StepRow{{PinNm: nominal, ToleranceLowerNm: -6_000}}},
		},
		events:    &postgres.Rows[Event]{Items: events},
		distances: &postgres.Rows[Distance]{Items: distances},
	}
}

// read is a reading of the bore by a calibrated bore gauge, some micrometres over
// 8 mm.
func read(at time.Time, over float64) reading.Observation {
	method, expanded, k := "bore_gauge", length.Length(3000), 2.0
	return reading.Observation{ID: uuid.New(), FeatureID: boreID, Kind: reading.Measured, Size: 8_000_000 + length.FromMicrometres(over), Method: &method, InstrumentID: &gaugeID,
		Stage: "cleaned", Surface: "bright", TakenAt: at, CalibratedOn: &calibratedOn, DueOn: &dueOn, Expanded: &expanded, CoverageFactor: &k}
}

// yearly reads the bore once a year; it wears 8 µm each.
func yearly(years int, more func(n int, r *reading.Observation)) []reading.Observation {
	var out []reading.Observation
	for n := range years {
		r := read(on("2020-05-01").AddDate(n, 0, 0), 20+8*float64(n)+1.5*math.Sin(float64(7*n)))
		if more != nil {
			more(n, &r)
		}
		out = append(out, r)
	}
	return out
}

func trendOf(t testing.TB, k *Known, q Question) Trend {
	t.Helper()
	q.Unit, q.Now = length.Millimetre, on("2026-11-01")
	if q.Over == "" {
		q.Over = Time
	}
	got, err := k.Of(jointID, q)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func assumed(t Trend, code string) bool {
	return slices.ContainsFunc(t.Assumed, func(r reading.Remark) bool { return r.Code == code })
}

// What stays from sitting to sitting moves the line and leaves its rate: readings
// that scatter by 1.5 µm tell a wear of 8 µm a year, however little one reading
// tells of the form.
func TestSittingsReadInOneWayShareTheirForm(t *testing.T) {
	t.Parallel()
	got := trendOf(t, joint(yearly(6, nil), nil, nil), Question{})
	rate := got.Answer.Segments[0].Rate
	if !assumed(got, "form_shared") || rate.Low*365.25 < 4 || math.Abs(rate.Value*365.25-8) > 1 {
		t.Errorf("rate %+v a day, %+v", rate, got.Assumed)
	}
	for i, s := range got.Sittings {
		p := got.Answer.Points[i]
		if all := math.Hypot(p.U, got.Answer.SharedU); math.Abs(all-s.Clearance.U) > 0.2*s.Clearance.U {
			t.Errorf("sitting %d: %v of its own and %v shared are not its %v", i, p.U, got.Answer.SharedU, s.Clearance.U)
		}
	}
	if got.LimitSource != "target" || *got.limitOf() != 150 {
		t.Errorf("limit %v from %s", got.limitOf(), got.LimitSource)
	}
	// Read now here, now there, nothing of the form is known to stay.
	stations := []string{"mouth_a", "middle", "mouth_b"}
	here := trendOf(t, joint(yearly(6, func(n int, r *reading.Observation) { r.Station = &stations[n%3] }), nil, nil), Question{})
	if assumed(here, "form_shared") || here.Answer.Segments[0].Rate.SE < rate.SE {
		t.Errorf("rate %+v, %+v", here.Answer.Segments[0].Rate, here.Assumed)
	}
}

func (t Trend) limitOf() *float64 {
	if t.Answer.Crossing == nil {
		return nil
	}
	return &t.Answer.Crossing.Limit
}

func TestRepairGivesTheJointAnotherPin(t *testing.T) {
	t.Parallel()
	readings := yearly(4, nil)
	for n := range 3 {
		r := read(on("2024-06-01").AddDate(n, 0, 0), 220+8*float64(n))
		r.Stage = map[bool]string{true: "reamed", false: "cleaned"}[n == 0]
		readings = append(readings, r)
	}
	got := trendOf(t, joint(readings, nil, nil), Question{})
	if got.Sittings[3].Why != "" || got.Sittings[4].Why == "" || len(got.Answer.Segments) != 2 || len(got.Answer.Points) != 4 {
		t.Errorf("%+v", got.Sittings)
	}
	if got.Answer.Crossing.State != trend.RateUnknown {
		t.Errorf("%+v", got.Answer.Crossing)
	}
}

func TestOverDistanceWithoutOdometer(t *testing.T) {
	t.Parallel()
	got := trendOf(t, joint(yearly(4, nil), []Event{{Kind: Lubricated, OccurredAt: on("2021-01-01")}}, nil), Question{Over: Going})
	if len(got.Answer.Points) != 0 || got.Sittings[0].Why == "" || len(got.Answer.Segments) != 1 {
		t.Errorf("%+v", got.Answer)
	}
	got = trendOf(t, joint(yearly(4, nil), nil, []Distance{shows("2020-05-01", 100, "mi"), shows("2023-05-01", 3100, "mi")}), Question{Over: Going})
	if got.Unit != Mile || len(got.Answer.Points) != 4 || math.Abs(got.Answer.Segments[0].Rate.Value*1000-8) > 1.5 {
		t.Errorf("%s %+v", got.Unit, got.Answer.Segments[0].Rate)
	}
}

func TestEmptyJoint(t *testing.T) {
	t.Parallel()
	got := trendOf(t, joint(nil, nil, nil), Question{})
	if len(got.Sittings) != 0 || got.Answer.NoInterval != trend.NoPoints {
		t.Errorf("%+v", got)
	}
	if _, err := joint(nil, nil, nil).Of(uuid.New(), Question{Over: Time}); err == nil {
		t.Error("another joint's trend")
	}
}

// As many sittings as an answer takes, and more, of three readings each.
func BenchmarkTrendOfManySittings(b *testing.B) {
	var readings []reading.Observation
	for n := range mostSittings + 10 {
		for h := range 3 {
			readings = append(readings, read(on("2015-01-01").AddDate(0, n, 0).Add(time.Duration(h)*time.Minute), 20+0.5*float64(n)+float64(h)))
		}
	}
	k := joint(readings, nil, nil)
	b.ReportAllocs()
	for b.Loop() {
		if got := trendOf(b, k, Question{}); len(got.Answer.Points) != mostSittings {
			b.Fatal(len(got.Answer.Points))
		}
	}
}
