package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/google/uuid"

	"pinwright/testdata/democlub"
)

// object is a body as the API takes it.
type object = map[string]any

// Club is the invented club.
type Club struct {
	Slug         string
	Name         string
	Currency     string
	Units        string
	Officer      struct{ Number, Name string }
	Garages      []object
	Members      []object
	ToolModels   []object `json:"tool_models"`
	Tools        []object
	Kits         []object
	Calibrations []struct {
		Tool                string
		AgoDays             int    `json:"ago_days"`
		DueInDays           int    `json:"due_in_days"`
		ExpandedUncertainty string `json:"expanded_uncertainty"`
		Certificate         string
		Deviation           string
	}
	PinSeries  []object `json:"pin_series"`
	Suppliers  []object
	Deliveries []delivery
	Vehicles   []object
	JointSets  []object `json:"joint_sets"`
	Histories  []history
	Past       past
	Job        Job `json:"story"`
}

// Job is the job that the demo does: four worn hinges of one vehicle.
type Job struct {
	Vehicle   string
	Joints    []string
	PinSeries string `json:"pin_series"`
	Readings  []object
}

// history is some years of readings of one bore, which wears a little each
// time.
type history struct {
	Vehicle, Joint   string
	With, Instrument string
	From             string
	EveryDays        int `json:"every_days"`
	Count            int
	Start, Wear      string // mm, mm for each reading
}

// Read reads the invented club.
func Read() (Club, error) {
	var c Club
	return c, json.Unmarshal(democlub.JSON, &c)
}

// Load makes all of the club but its officer, who exists already and whose
// token officer is. now only places the calibrations.
func (c Club) Load(ctx context.Context, base, officer string, now time.Time) error {
	api := newClient(base, c.Slug, officer)
	post := func(path string, bodies []object) error {
		for _, b := range bodies {
			if err := api.must(ctx, "POST", path, b, nil); err != nil {
				return err
			}
		}
		return nil
	}
	for _, step := range []struct {
		path   string
		bodies []object
	}{{"garages", c.Garages}, {"members", c.Members}, {"tool-models", c.ToolModels}, {"tools", c.Tools}, {"kits", c.Kits}, {"pin-series", c.PinSeries}, {"suppliers", c.Suppliers}, {"vehicles", c.Vehicles}} {
		if err := post(step.path, step.bodies); err != nil {
			return err
		}
	}
	for _, k := range c.Calibrations {
		day := func(in int) string { return now.AddDate(0, 0, in).Format(time.DateOnly) }
		body := object{"calibrated_on": day(-k.AgoDays), "due_on": day(k.DueInDays), "expanded_uncertainty": k.ExpandedUncertainty, "certificate": k.Certificate}
		if k.Deviation != "" {
			body["deviation"] = k.Deviation
		}
		if err := api.must(ctx, "POST", "tools/"+k.Tool+"/calibrations", body, nil); err != nil {
			return err
		}
	}
	for _, set := range c.JointSets {
		body := object{}
		for name, value := range set {
			if name != "vehicle" {
				body[name] = value
			}
		}
		if err := api.must(ctx, "POST", fmt.Sprintf("vehicles/%s/joints", set["vehicle"]), body, nil); err != nil {
			return err
		}
	}
	readings, err := c.pastReadings()
	if err != nil {
		return err
	}
	var report struct{ Created, Refused int }
	if err := api.must(ctx, "POST", "readings", object{"readings": readings}, &report); err != nil {
		return err
	}
	if report.Refused > 0 {
		return fmt.Errorf("%d readings of the histories were refused", report.Refused)
	}
	if err := c.Past.load(ctx, api); err != nil {
		return err
	}
	return c.deliver(ctx, api, now)
}

// pastReadings spells the histories out. The scatter between readings is fixed,
// so that every demo shows the same club.
func (c Club) pastReadings() ([]object, error) {
	var out []object
	for _, h := range c.Histories {
		start, err1 := strconv.ParseFloat(h.Start, 64)
		wear, err2 := strconv.ParseFloat(h.Wear, 64)
		at, err3 := time.Parse(time.DateOnly, h.From)
		if err1 != nil || err2 != nil || err3 != nil {
			return nil, fmt.Errorf("history of %s %s is not spelt right", h.Vehicle, h.Joint)
		}
		for i := range h.Count {
			scatter := 0.0015 * math.Sin(float64(7*i+len(h.Joint)))
			r := object{"id": uuid.Must(uuid.NewV7()).String(), "vehicle": h.Vehicle, "joint": h.Joint, "stage": "cleaned", "surface": "bright",
				"value": fmt.Sprintf("%.3f mm", start+wear*float64(i)+scatter), "taken_at": at.AddDate(0, 0, i*h.EveryDays).Add(15 * time.Hour).Format(time.RFC3339)}
			if h.Instrument != "" {
				r["instrument"] = h.Instrument
			} else {
				r["with"] = h.With
			}
			out = append(out, r)
		}
	}
	return out, nil
}
