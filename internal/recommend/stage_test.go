package recommend

import (
	"math"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/reading"
)

const nominalMM = 9.0

// seen is a measured reading in millimetres, minutes after the first.
func seen(f FeatureRow, minute int, mm float64, stage, surface, station string) reading.Observation {
	method := "bore_gauge"
	if f.Shape == "pin" {
		method = "micrometer"
	}
	r := reading.Observation{ID: uuid.Must(uuid.NewV7()), FeatureID: f.ID, Kind: "measured", Size: length.FromMicrometres(mm * 1000), Method: &method, Stage: stage, Surface: surface,
		TakenAt: time.Date(2026, 5, 1, 10, minute, 0, 0, time.UTC)}
	if station != "" {
		r.Station = &station
	}
	return r
}

func tried(f FeatureRow, minute int, mm float64, kind, stage string) reading.Observation {
	r := seen(f, minute, mm, stage, "unknown", "")
	r.Kind, r.Method = kind, nil
	return r
}

func featureOf(shape string) (JointRow, FeatureRow) {
	nm := int64(nominalMM * 1e6)
	j := JointRow{ID: uuid.Must(uuid.NewV7()), TemplateID: uuid.Must(uuid.NewV7()), Position: "left-upper", Guidance: "floating"}
	return j, FeatureRow{ID: uuid.Must(uuid.NewV7()), JointID: j.ID, Code: shape, Shape: shape, Duty: "running", NominalNm: &nm}
}

func estimated(t *testing.T, j JointRow, f FeatureRow, learned priors, readings ...reading.Observation) (*observation, wornsize.FeaturePosterior) {
	t.Helper()
	nominal := length.FromMicrometres(nominalMM * 1000)
	o, err := observe([]JointRow{j}, []FeatureRow{f}, readings, nominal, nominal, FormMeans{}, learned)
	if err != nil {
		t.Fatal(err)
	}
	p, err := wornsize.Estimate(o.set)
	if err != nil {
		t.Fatal(err)
	}
	return o, p.Features[0]
}

// What lies beyond a surface falls when it is cleaned and falls again when it is cut.
func TestSurfaceAllowanceFallsWithTheWork(t *testing.T) {
	t.Parallel()
	j, f := featureOf("bore")
	found, _ := estimated(t, j, f, nil, seen(f, 0, 9.1, "as_found", "rusty", "middle"))
	cleaned, _ := estimated(t, j, f, nil, seen(f, 0, 9.1, "as_found", "rusty", "middle"), seen(f, 1, 9.11, "cleaned", "unknown", "middle"))
	bright, _ := estimated(t, j, f, nil, seen(f, 0, 9.1, "as_found", "rusty", "middle"), seen(f, 1, 9.11, "cleaned", "bright", "middle"))
	pitted, _ := estimated(t, j, f, nil, seen(f, 0, 9.1, "as_found", "rusty", "middle"), seen(f, 1, 9.11, "cleaned", "pitted", "middle"))
	reamed, _ := estimated(t, j, f, nil, seen(f, 0, 9.1, "as_found", "rusty", "middle"), seen(f, 2, 9.2, "reamed", "bright", "middle"))
	alpha := func(o *observation) float64 { return o.set.Features[0].Form.Surface }
	if !(alpha(found) > alpha(pitted) && alpha(pitted) > alpha(cleaned) && alpha(cleaned) > alpha(reamed) && alpha(reamed) > 0) || alpha(found) != 10 {
		t.Errorf("found %g, pitted %g, cleaned %g, bright %g, reamed %g", alpha(found), alpha(pitted), alpha(cleaned), alpha(bright), alpha(reamed))
	}
	if n := len(reamed.set.Features[0].Readings); n != 1 {
		t.Errorf("%d readings stand after reaming, want those since", n)
	}
	if bright.surface[0] != "bright" || cleaned.surface[0] != "unknown" || found.surface[0] != "rusty" {
		t.Errorf("surfaces %v %v %v", bright.surface, cleaned.surface, found.surface)
	}
	// A template's allowance is as found, too.
	nm := int64(12_000)
	j.SurfaceNm = &nm
	own, _ := estimated(t, j, f, nil, seen(f, 1, 9.11, "cleaned", "unknown", "middle"))
	if alpha(own) != 6 {
		t.Errorf("the template's 12 µm leave %g after cleaning", alpha(own))
	}
}

// A cleaned bore is what was read clean; as found it was no larger.
func TestAsFoundReadingsBoundTheCleanSize(t *testing.T) {
	t.Parallel()
	j, f := featureOf("bore")
	clean := seen(f, 1, 9.130, "cleaned", "bright", "middle")
	_, alone := estimated(t, j, f, nil, clean)
	for _, station := range []string{"middle", "mouth_a", ""} {
		_, both := estimated(t, j, f, nil, seen(f, 0, 9.100, "as_found", "rusty", station), clean)
		if d := both.Passing.Quantile(0.5) - alone.Passing.Quantile(0.5); math.Abs(d) > 9 {
			t.Errorf("station %q: a smaller size as found moves the clean one by %.1f µm", station, d)
		}
		// Taken as sizes both, they pull each other half way.
		other := clean
		other.Stage = "as_found"
		_, mixed := estimated(t, j, f, nil, seen(f, 0, 9.100, "as_found", "rusty", "middle"), other)
		if station == "middle" && mixed.Passing.Quantile(0.5) > both.Passing.Quantile(0.5)-3 {
			t.Errorf("as found only: %.1f, cleaned: %.1f", mixed.Passing.Quantile(0.5), both.Passing.Quantile(0.5))
		}
	}
	// But a gauge that went through the rust goes through the clean bore.
	_, gauged := estimated(t, j, f, nil, tried(f, 0, 9.120, "go", "as_found"), seen(f, 1, 9.115, "cleaned", "bright", "middle"))
	if low := gauged.Passing.Quantile(0.05); low < 115 {
		t.Errorf("a go of 9.120 as found leaves 5 %% below %.1f µm", low)
	}
	// And one that did not says less than one that does not when it is clean.
	_, refused := estimated(t, j, f, nil, tried(f, 0, 9.100, "no_go", "as_found"), clean)
	_, still := estimated(t, j, f, nil, tried(f, 0, 9.100, "no_go", "cleaned"), clean)
	if a, b, c := alone.Passing.Quantile(0.5), refused.Passing.Quantile(0.5), still.Passing.Quantile(0.5); !(c < b-3 && b < a) {
		t.Errorf("without a no-go %.1f µm, with one through rust %.1f, with one when clean %.1f", a, b, c)
	}
}

func TestAPinsEndsAreWitnessesOfItsSize(t *testing.T) {
	t.Parallel()
	j, f := featureOf("pin")
	o, p := estimated(t, j, f, nil, seen(f, 0, 8.998, "as_found", "bright", "mouth_a"), seen(f, 1, 8.997, "as_found", "bright", "mouth_b"), seen(f, 2, 8.950, "as_found", "bright", "middle"))
	if m := p.Original.Quantile(0.5); math.Abs(m+2) > 4 {
		t.Errorf("original size %+.1f µm, the ends read -2 and -3", m)
	}
	if m := p.CleanUp.Quantile(0.5); math.Abs(m+50) > 8 {
		t.Errorf("thinnest place %+.1f µm, read as -50", m)
	}
	if o.set.Features[0].Form.MiddleShare != pinEndShare {
		t.Errorf("ends take %g of the wear", o.set.Features[0].Form.MiddleShare)
	}
	// Rust makes a pin larger: cleaned it is what was read clean.
	_, rusty := estimated(t, j, f, nil, seen(f, 0, 8.99, "as_found", "rusty", "middle"), seen(f, 1, 8.95, "cleaned", "bright", "middle"))
	if m := rusty.CleanUp.Quantile(0.5); m > -43 {
		t.Errorf("thinnest place %+.1f µm, read clean as -50", m)
	}
}

func TestTheNearestPriorIsUsed(t *testing.T) {
	t.Parallel()
	j, f := featureOf("bore")
	everywhere := FormPrior{ID: uuid.Must(uuid.NewV7()), TemplateID: j.TemplateID, Shape: "bore", Version: 3, Features: 9, Readings: 40, BellMouth: 2, Ovality: 3, Surface: 1, BaseLowUm: 100, BaseHighUm: 100, BaseShoulderUm: 40}
	here, elsewhere, pin := everywhere, everywhere, everywhere
	here.Position, here.BellMouth = j.Position, 0.5
	elsewhere.Position, pin.Shape = "right-lower", "pin"
	for name, tc := range map[string]struct {
		learned priors
		want    float64
		source  string
	}{
		"none":               {nil, 15, FromDefault},
		"all positions":      {priors{everywhere}, 30, FromHistory},
		"this position":      {priors{everywhere, here, elsewhere}, 7.5, FromHistory},
		"another position":   {priors{elsewhere}, 15, FromDefault},
		"another shape":      {priors{pin}, 15, FromDefault},
		"nothing to rest on": {priors{{TemplateID: j.TemplateID, Shape: "bore", BellMouth: 1, Ovality: 1, Surface: 1}}, 15, FromDefault},
	} {
		o, p := estimated(t, j, f, tc.learned)
		if got := o.set.Features[0].Form.BellMouth; got != tc.want || o.priors[0].Source != tc.source {
			t.Errorf("%s: bell mouth %g by %s, want %g by %s", name, got, o.priors[0].Source, tc.want, tc.source)
		}
		if tc.source == FromHistory && math.Abs(p.Original.Quantile(0.5)-100) > 3 {
			t.Errorf("%s: an unread bore is at %+.0f µm, the club's are at +100", name, p.Original.Quantile(0.5))
		}
	}
	nm := int64(20_000)
	j.BellMouthNm = &nm
	if o, _ := estimated(t, j, f, priors{everywhere}); o.set.Features[0].Form.BellMouth != 40 {
		t.Errorf("twice the template's 20 µm is %g", o.set.Features[0].Form.BellMouth)
	}
	if o, _ := estimated(t, j, f, nil); o.priors[0].Source != FromTemplate || o.priors[0].BellMouth != 20 {
		t.Errorf("got %+v", o.priors[0])
	}
	// A reading far outside what the club has seen still counts.
	if _, p := estimated(t, j, f, priors{everywhere}, seen(f, 0, 9.6, "as_found", "bright", "middle")); math.Abs(p.Passing.Quantile(0.5)-590) > 25 {
		t.Errorf("read as +600, answered %+.0f", p.Passing.Quantile(0.5))
	}
}

// A reading of another feature changes nothing, the prior being what it is.
func TestOtherFeaturesChangeNothing(t *testing.T) {
	t.Parallel()
	j, f := featureOf("bore")
	_, g := featureOf("bore")
	g.JointID = j.ID
	learned := priors{{TemplateID: j.TemplateID, Shape: "bore", Version: 1, Features: 5, BellMouth: 1.5, Ovality: 0.7, Surface: 1, BaseLowUm: 80, BaseHighUm: 80, BaseShoulderUm: 50}}
	nominal := length.FromMicrometres(nominalMM * 1000)
	own, other := seen(f, 0, 9.1, "as_found", "bright", "middle"), seen(g, 1, 9.3, "as_found", "rusty", "middle")
	other.MemberID = uuid.Must(uuid.NewV7()) // another instrument
	var medians []float64
	for _, readings := range [][]reading.Observation{{own}, {own, other}} {
		o, err := observe([]JointRow{j}, []FeatureRow{f, g}, readings, nominal, nominal, FormMeans{}, learned)
		if err != nil {
			t.Fatal(err)
		}
		p, err := wornsize.Estimate(o.set)
		if err != nil {
			t.Fatal(err)
		}
		medians = append(medians, p.Features[0].CleanUp.Quantile(0.5))
	}
	if medians[0] != medians[1] {
		t.Errorf("%v", medians)
	}
}
