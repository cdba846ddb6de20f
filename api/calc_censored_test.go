package api_test

import (
	"strings"
	"testing"
)

const mixedReadings = `{"value":"12.1 mm"},{"value":"9.4 mm"},{"value":"15.8 mm"},{"value":"11.0 mm"},{"value":"7.6 mm"},{"value":"13.3 mm"},{"value":"10.2 mm"},
	{"above":"5 mm","below":"10 mm"},{"above":"5 mm","below":"10 mm"},{"above":"5 mm","below":"10 mm"},
	{"above":"10 mm","below":"15 mm"},{"above":"10 mm","below":"15 mm"},{"above":"10 mm","below":"15 mm"},{"above":"10 mm","below":"15 mm"},{"above":"10 mm","below":"15 mm"},
	{"above":"15 mm","below":"20 mm"},{"above":"15 mm","below":"20 mm"},{"below":"5 mm"},{"above":"20 mm"},{"above":"20 mm"}`

// Source: R 4.2.2, package survival 3.5-3, survreg; profile intervals by scipy 1.10.1.
func TestCensoredReadingsAsAStatisticsProgramFitsThem(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("censored-normal?explain=true", `{"readings":[`+mixedReadings+`]}`).want(200)
	near(t, "mean", r.num("mean", "value"), 12.3337323269, 12e-6)
	near(t, "standard deviation", r.num("standard_deviation", "value"), 4.79606975263, 5e-6)
	near(t, "log likelihood", r.num("log_likelihood"), -38.7383483315, 1e-6)
	near(t, "standard error", r.num("mean_standard_error", "value"), 1.10880386263, 2e-6)
	near(t, "standard error of the log", r.num("log_standard_deviation_standard_error"), 0.185112103703, 2e-6)
	near(t, "low", r.num("mean_interval", "low", "value"), 10.039043187139395, 1e-4)
	near(t, "high of the deviation", r.num("standard_deviation_interval", "high", "value"), 7.1920745154828465, 1e-4)
	if r.num("exact") != 7 || r.num("between") != 10 || r.num("below") != 1 || r.num("above") != 2 || r.num("explanation", 0, "result", "value") != r.num("log_likelihood") {
		t.Errorf("%s", r.body)
	}
	inches := w.calc("censored-normal?units=in", `{"readings":[`+mixedReadings+`]}`).want(200)
	near(t, "mean in inches", inches.num("mean", "value"), 12.3337323269/25.4, 1e-7)
}

// Source: scipy 1.10.1.
func TestOneSizeByMicrometerAndPins(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	const readings = `{"value":"10.012 mm","u":"3 um"},{"value":"10.015 mm","u":"3 um"},{"value":"10.011 mm","u":"3 um"},
		{"above":"10.010 mm","u":"1 um"},{"above":"10.012 mm","u":"1 um"},{"below":"10.014 mm","u":"1 um"},{"below":"10.016 mm","u":"1 um"}`
	r := w.calc("censored-normal?explain=true", `{"standard_deviation":"0 mm","readings":[`+readings+`]}`).want(200)
	near(t, "size", r.num("mean", "value"), 10.012899075419384, 1e-7)
	near(t, "low", r.num("mean_interval", "low", "value"), 10.011085338824325, 1e-6)
	near(t, "high", r.num("mean_interval", "high", "value"), 10.01473157936559, 1e-6)
	if r.get("standard_deviation_given") != true || r.get("covariance") != nil {
		t.Errorf("%s", r.body)
	}
	free := w.calc("censored-normal", `{"readings":[`+readings+`]}`).want(200)
	if free.str("warnings", 0, "code") != "no_spread_seen" {
		t.Errorf("%s", free.body)
	}
}

func TestCensoredReadingsWithoutAnAnswerSayWhy(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for body, want := range map[string][2]string{
		`{"readings":[{"value":"3 mm"}]}`:                                                             {"/readings", "one size explains all"},
		`{"readings":[{"above":"1 mm","below":"4 mm"},{"above":"3 mm","below":"6 mm"}]}`:              {"/readings", "one size explains all"},
		`{"readings":[{"above":"1 mm"},{"above":"3 mm"}]}`:                                            {"/readings", "same side"},
		`{"readings":[{"below":"3 mm"},{"above":"5 mm"}]}`:                                            {"/readings", "wrong sides"},
		`{"standard_deviation":"0 mm","readings":[{"value":"3 mm","u":"1 um"},{"value":"3 mm"}]}`:     {"/readings/1/u", "blurred"},
		`{"standard_deviation":"-1 mm","readings":[{"value":"3 mm","u":"1 um"}]}`:                     {"/standard_deviation", "below 0"},
		`{"readings":[{"u":"1 um"},{"value":"3 mm","above":"2 mm"},{"above":"3 mm","below":"3 mm"}]}`: {"/readings/0", "says nothing"},
		`{"readings":[{"value":"3 mm","u":"-1 um"},{"value":"4 mm"}]}`:                                {"/readings/0/u", "below 0"},
		`{"readings":[]}`: {"/readings", ""},
		`{"readings":[{"value":"3 mm","beside":"4 mm"}]}`: {"/readings/0/beside", ""},
		`{}`: {"/readings", ""},
	} {
		r := w.calc("censored-normal", body).want(422)
		if r.str("errors", 0, "pointer") != want[0] || !strings.Contains(r.str("errors", 0, "detail"), want[1]) {
			t.Errorf("%s: %s", body, r.body)
		}
	}
}
