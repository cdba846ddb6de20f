package recommend

import (
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
)

// fourHinges is a snapshot of four door hinges: three bores read in two
// directions with one bore gauge, one rusty bore that a gauge starts to enter,
// and a pin. Sizes and people are invented.
func fourHinges(rustyNoGos int) *Snapshot {
	id := func(n byte) uuid.UUID { return uuid.UUID{15: n} }
	mm := func(um int64) int64 { return um * 1000 }
	text := func(s string) *string { return &s }
	at := time.Date(2026, 5, 16, 10, 0, 0, 0, time.UTC)
	series := id(1)
	s := &Snapshot{Joints: &postgres.Rows[JointRow]{}, Features: &postgres.Rows[FeatureRow]{}, Readings: &postgres.Rows[reading.Observation]{}, Steps: &postgres.Rows[StepRow]{}, Cutters: &postgres.Rows[CutterRow]{}, Gauges: &postgres.Rows[GaugeRow]{}}
	number := byte(100)
	read := func(r reading.Observation) {
		number++
		r.ID, r.TakenAt, r.MemberID, r.Stage = id(number), at, id(9), "cleaned"
		if r.Surface == "" {
			r.Surface = "bright"
		}
		s.Readings.Items = append(s.Readings.Items, r)
	}
	gauge, bore := id(60), id(61)
	for j := range byte(4) {
		joint, feature, pin := id(10+j), id(20+j), id(30+j)
		s.Joints.Items = append(s.Joints.Items, JointRow{ID: joint, VehicleID: id(2), VehicleCode: "tourer", Position: string(rune('a' + j)), TemplateCode: "door-hinge", PinSeriesID: &series, Guidance: "floating"})
		nominal := mm(9000)
		s.Features.Items = append(s.Features.Items, FeatureRow{ID: feature, JointID: joint, Code: "bore", Shape: "bore", Duty: "running", NominalNm: &nominal, Usual: true},
			FeatureRow{ID: pin, JointID: joint, Code: "pin", Shape: "pin", Duty: "held", NominalNm: &nominal})
		if j == 0 {
			for _, g := range []struct {
				um   int64
				kind string
			}{{9100, "go"}, {9150, "starts"}} {
				tool := id(70 + byte(g.um%100))
				read(reading.Observation{FeatureID: feature, Kind: g.kind, Size: length.Length(mm(g.um)), InstrumentID: &tool, GaugeClass: text("X"), GaugeSense: text("minus"), Surface: "rusty"})
			}
			for range rustyNoGos {
				tool := id(90)
				read(reading.Observation{FeatureID: feature, Kind: "no_go", Size: 9175000, InstrumentID: &tool, GaugeClass: text("X"), GaugeSense: text("minus"), Surface: "rusty"})
			}
			continue
		}
		for i, station := range []string{"mouth_a", "middle", "mouth_b"} {
			for k, degrees := range []float64{0, 90} {
				read(reading.Observation{FeatureID: feature, Kind: "measured", Size: length.Length(1000) * length.Length(9025+3*int64(j)+2*int64(i)+13*int64(k)), Method: text("bore_gauge"), InstrumentID: &bore, Station: text(station), DirectionDegrees: &degrees})
			}
		}
		read(reading.Observation{FeatureID: feature, Kind: "no_go", Size: 9075000, InstrumentID: &gauge, GaugeClass: text("X"), GaugeSense: text("minus")})
		if j == 1 {
			for station, um := range map[string]int64{"mouth_a": 8997, "mouth_b": 8998} {
				read(reading.Observation{FeatureID: pin, Kind: "measured", Size: length.Length(mm(um)), Method: text("micrometer"), Station: text(station)})
			}
		}
	}
	for i, step := range []struct {
		code        string
		pin, reamer int64
	}{{"standard", 9000, 0}, {"oversize_1", 9100, 9125}, {"oversize_2", 9225, 9250}} {
		row := StepRow{SeriesID: series, SeriesCode: "hinge-9", DeliveryDays: []int32{5, 6, 7, 9}, Ordinal: int16(i), Code: step.code, PinNm: mm(step.pin), ToleranceLowerNm: -6000}
		price := int64(800)
		row.PriceMinor = &price
		if step.reamer > 0 {
			nm := mm(step.reamer)
			row.ReamerNm = &nm
			s.Cutters.Items = append(s.Cutters.Items, CutterRow{ModelID: id(40 + byte(i)), Code: "reamer-" + step.code, SizeNm: nm, InService: 1})
		}
		s.Steps.Items = append(s.Steps.Items, row)
	}
	for _, um := range []int64{9025, 9050, 9075, 9100, 9150, 9175, 9200, 9225} {
		nm := mm(um)
		s.Gauges.Items = append(s.Gauges.Items, GaugeRow{Code: "pin", Kind: "pin_gauge", SizeNm: &nm})
	}
	return s
}

var ask = Question{Preference: "cheapest", Risk: 0.05, Unit: length.Millimetre, Currency: "EUR"}

func TestANoGoMakesTheRustyHingeSurer(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)
	before, err := Decide(fourHinges(0), ask, now)
	if err != nil {
		t.Fatal(err)
	}
	after, err := Decide(fourHinges(1), ask, now)
	if err != nil {
		t.Fatal(err)
	}
	if before.Choice.Chosen.Success >= after.Choice.Chosen.Success || before.Digest == after.Digest {
		t.Errorf("success %.3f, then %.3f", before.Choice.Chosen.Success, after.Choice.Chosen.Success)
	}
	t.Log(before.Summary())
	t.Log(after.Summary())
}

func BenchmarkDecideFourHinges(b *testing.B) {
	for name, s := range map[string]*Snapshot{"provisional": fourHinges(0), "surer": fourHinges(1), "read twice": fourHinges(2)} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Decide(s, ask, time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
