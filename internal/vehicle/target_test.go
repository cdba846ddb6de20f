package vehicle_test

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

func nm(v int64) *int64 { return &v }

func TestTargetResolvesToClearance(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name    string
		target  vehicle.Target
		nominal *int64
		want    vehicle.Clearance
		text    string
	}{
		{"limits need no nominal size", vehicle.Target{MinNM: nm(5_000), MaxNM: nm(30_000)}, nil,
			vehicle.Clearance{Min: 5_000, Max: 30_000}, "0.005 to 0.03 mm"},
		// ISO 286-2: H7 at 6 to 10 mm is 0/+15 µm, g6 is -14/-5 µm.
		{"H7/g6 at 8 mm leaves 5 to 29 micrometres", vehicle.Target{Fit: "H7/g6"}, nm(8_000_000),
			vehicle.Clearance{Min: 5_000, Max: 29_000}, "0.005 to 0.029 mm (H7/g6 at 8 mm, ISO 286)"},
		// ASME B4.1-1967, table of running and sliding fits, 0.24 to 0.40 in: 0.5 to 2.0 thousandths.
		{"RC4 at 0.318 in leaves half to two thousandths", vehicle.Target{Fit: "RC4"}, nm(8_077_200),
			vehicle.Clearance{Min: 12_700, Max: 50_800}, "0.0127 to 0.0508 mm (RC4 at 8.0772 mm, ASME B4.1)"},
		// Common practice, no published source.
		{"the trade's thousandth is half to one and a half", vehicle.Target{Thousandth: true}, nil,
			vehicle.Clearance{Min: 12_700, Max: 38_100}, "0.0127 to 0.0381 mm (about one thousandth of an inch over the pin; common practice, no published source)"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			if faults := row.target.Check("/target", row.nominal); len(faults) > 0 {
				t.Fatalf("refused: %v", faults)
			}
			got, err := row.target.Resolve(row.nominal)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(row.want, got); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(row.text, row.target.Text(row.nominal, length.Millimetre)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestFitWithoutNominalSizeSaysSo(t *testing.T) {
	t.Parallel()
	fit := vehicle.Target{Fit: "H7/g6"}
	if _, err := fit.Resolve(nil); !errors.Is(err, vehicle.ErrNominalUnknown) {
		t.Errorf("resolved without a size: %v", err)
	}
	if got := fit.Text(nil, length.Inch); got != "H7/g6; its clearance depends on the nominal size, which is not known yet" {
		t.Errorf("text is %q", got)
	}
	if faults := fit.Check("/target", nil); len(faults) > 0 {
		t.Errorf("a template may have a fit without a size, but: %v", faults)
	}
}

func TestTargetRefusals(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name    string
		target  vehicle.Target
		nominal *int64
		pointer string
	}{
		{"nothing given", vehicle.Target{}, nil, "/target"},
		{"limits and a fit", vehicle.Target{MinNM: nm(1), MaxNM: nm(2), Fit: "H7/g6"}, nil, "/target"},
		{"a fit and a thousandth", vehicle.Target{Fit: "H7/g6", Thousandth: true}, nil, "/target"},
		{"a lower limit alone", vehicle.Target{MinNM: nm(1)}, nil, "/target/clearance_max"},
		{"an upper limit alone", vehicle.Target{MaxNM: nm(1)}, nil, "/target/clearance_min"},
		{"limits that cross", vehicle.Target{MinNM: nm(2), MaxNM: nm(1)}, nil, "/target/clearance_max"},
		{"limits that leave no room", vehicle.Target{MinNM: nm(2), MaxNM: nm(2)}, nil, "/target/clearance_max"},
		{"a shaft class before the stroke", vehicle.Target{Fit: "g6/H7"}, nil, "/target/fit"},
		{"an unknown inch class", vehicle.Target{Fit: "RC99"}, nil, "/target/fit"},
		{"a size that ISO limits are not served for", vehicle.Target{Fit: "H7/g6"}, nm(80_000_000), "/target/fit"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			faults := row.target.Check("/target", row.nominal)
			if len(faults) != 1 || faults[0].Pointer != row.pointer || faults[0].Detail == "" {
				t.Errorf("faults are %v, want one at %s", faults, row.pointer)
			}
		})
	}
}

func TestTemplateMarksTheUsualFeature(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name     string
		features []vehicle.Cylinder
		want     string
		faults   []string
	}{
		{"the first bore when none is marked", []vehicle.Cylinder{{Code: "p", Shape: "pin"}, {Code: "a", Shape: "bore"}, {Code: "b", Shape: "bore"}}, "a", nil},
		{"the first of all when there is no bore", []vehicle.Cylinder{{Code: "p", Shape: "pin"}, {Code: "q", Shape: "pin"}}, "p", nil},
		{"the marked one", []vehicle.Cylinder{{Code: "a", Shape: "bore"}, {Code: "p", Shape: "pin", Usual: true}}, "p", nil},
		{"two marked are a fault at the second", []vehicle.Cylinder{{Code: "a", Shape: "bore", Usual: true}, {Code: "b", Shape: "bore", Usual: true}}, "", []string{"/features/1/usual"}},
		{"a code twice is a fault at the second", []vehicle.Cylinder{{Code: "a", Shape: "bore"}, {Code: "a", Shape: "pin"}}, "", []string{"/features/1/code"}},
		{"sizes of zero or less are faults", []vehicle.Cylinder{{Code: "a", Shape: "bore", NominalNM: nm(0), LengthNM: nm(-1)}}, "", []string{"/features/0/length", "/features/0/nominal"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			template := vehicle.Template{Features: row.features}
			var at []string
			for _, f := range template.Check() {
				at = append(at, f.Pointer)
			}
			if diff := cmp.Diff(row.faults, at); diff != "" {
				t.Fatal(diff)
			}
			var usual []string
			for _, f := range template.Features {
				if f.Usual {
					usual = append(usual, f.Code)
				}
			}
			if row.faults == nil && !cmp.Equal(usual, []string{row.want}) {
				t.Errorf("usual is %v, want %s", usual, row.want)
			}
		})
	}
}

func TestShippedTemplatesAreSound(t *testing.T) {
	t.Parallel()
	// The cautions that the contract knows.
	known := map[string]bool{"heat": true, "penetrant": true, "acid": true, "striking": true, "spring_load": true, "door_weight": true, "rotating_tool": true, "blasting_dust": true, "lifting": true}
	critical := map[string]bool{}
	for _, template := range vehicle.ShippedTemplates() {
		before := append([]vehicle.Cylinder(nil), template.Features...)
		if faults := template.Check(); len(faults) > 0 {
			t.Errorf("%s: %v", template.Code, faults)
		}
		if diff := cmp.Diff(before, template.Features); diff != "" {
			t.Errorf("%s leaves its usual feature to the default: %s", template.Code, diff)
		}
		running := 0
		for _, f := range template.Features {
			if f.Shape == vehicle.Bore && f.Duty == vehicle.Running {
				running++
			}
		}
		if running == 0 {
			t.Errorf("%s has no bore in which anything turns", template.Code)
		}
		for _, c := range template.Cautions {
			if !known[c] {
				t.Errorf("%s: unknown caution %s", template.Code, c)
			}
		}
		critical[template.Code] = template.SafetyCritical
	}
	// Brake or clutch, steering and suspension can kill; a door or a throttle is for
	// the maker's manual.
	want := map[string]bool{"door-hinge": false, "pedal-pivot": true, "king-pin": true, "throttle-spindle": false, "shackle": true}
	if diff := cmp.Diff(want, critical); diff != "" {
		t.Error(diff)
	}
}

func TestNominalSizeReplacesWhatTheJointHad(t *testing.T) {
	t.Parallel()
	j := vehicle.Joint{Features: []vehicle.Feature{
		{Cylinder: vehicle.Cylinder{Code: "bore", Usual: true, NominalNM: nm(8)}},
		{Cylinder: vehicle.Cylinder{Code: "pin", NominalNM: nm(8)}},
		{Cylinder: vehicle.Cylinder{Code: "sleeve"}},
		{Cylinder: vehicle.Cylinder{Code: "shoulder", NominalNM: nm(12)}},
	}}
	changed := j.WithNominal(nm(9))
	var got []int64
	for _, f := range changed.Features {
		got = append(got, *f.NominalNM)
	}
	if diff := cmp.Diff([]int64{9, 9, 9, 12}, got); diff != "" {
		t.Error(diff)
	}
	if *j.Features[0].NominalNM != 8 || j.Features[2].NominalNM != nil {
		t.Error("the joint at hand was changed")
	}
	if again := changed.WithNominal(nil); *again.Nominal() != 9 {
		t.Error("no nominal size given, but it changed")
	}
}

func TestPositionsTakenListsThem(t *testing.T) {
	t.Parallel()
	p := vehicle.PositionsTaken("roadster", "a", "b")
	if !problem.Is(p, problem.NameTaken) || !cmp.Equal(p.Members["taken"], []string{"a", "b"}) {
		t.Errorf("%v %v", p, p.Members)
	}
}
