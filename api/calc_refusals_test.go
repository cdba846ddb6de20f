package api_test

import (
	"fmt"
	"log/slog"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"pinwright/api"
)

// Every refusal is a 422 whose faults stand at the fields that can mend them.
func TestCalculatorsSayWhereAQuestionIsWrong(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	many := strings.TrimSuffix(strings.Repeat(`{"value":"8.1 mm","u":"4 um"},`, 31), ",")
	for _, c := range []struct {
		name, calc, body string
		at               []string
	}{
		{"unknown hole class", "limits", `{"size":"25 mm","class":"Q7"}`, []string{"/class"}},
		{"unknown shaft class", "limits", `{"size":"25 mm","class":"q7"}`, []string{"/class"}},
		{"grade beyond the table", "limits", `{"size":"25 mm","class":"H99"}`, []string{"/class"}},
		{"size above the table", "limits", `{"size":"50.001 mm","class":"H7"}`, []string{"/size"}},
		{"size below the table", "limits", `{"size":"0.999 mm","class":"H7"}`, []string{"/size"}},
		{"size below nothing", "limits", `{"size":"-25 mm","class":"H7"}`, []string{"/size"}},
		{"size beyond any length", "limits", `{"size":{"value":1e300,"unit":"mm"},"class":"H7"}`, []string{"/size"}},
		{"size without a unit", "limits", `{"size":25,"class":"H7"}`, []string{"/size"}},
		{"everything missing", "limits", `{}`, []string{"/size", "/class"}},
		{"a field nobody knows", "limits", `{"size":"25 mm","class":"H7","fit":"H7/g6"}`, []string{"/fit"}},
		{"a class of another form", "limits", `{"size":"25 mm","class":"H7/g6"}`, []string{"/class"}},

		{"unknown inch class", "fit", `{"size":"0.5 in","fit":"RC99"}`, []string{"/fit"}},
		{"half a metric fit", "fit", `{"size":"25 mm","fit":"H7/"}`, []string{"/fit"}},
		{"shaft before hole", "fit", `{"size":"25 mm","fit":"g6/H7"}`, []string{"/fit"}},
		{"two strokes", "fit", `{"size":"25 mm","fit":"H7/g6/h6"}`, []string{"/fit"}},
		{"inch size beyond the class", "fit", `{"size":"100 in","fit":"RC4"}`, []string{"/size"}},
		{"a class that has no values so small", "fit", `{"size":"0.1 in","fit":"FN3"}`, []string{"/size"}},
		{"metric size beyond the table", "fit", `{"size":"51 mm","fit":"H7/g6"}`, []string{"/size"}},
		{"nothing", "fit", `{"size":"0 mm","fit":"H7/g6"}`, []string{"/size"}},

		{"neither value nor inputs", "uncertainty", `{}`, []string{"/value"}},
		{"both value and inputs", "uncertainty", `{"value":"9 mm","with":"caliper","inputs":[{"name":"a","u":1}]}`, []string{"/value", "/with"}},
		{"a method without a value", "uncertainty", `{"with":"caliper"}`, []string{"/value"}},
		{"a value without a method", "uncertainty", `{"value":"9 mm"}`, []string{"/with"}},
		{"a gauge that reads no value", "uncertainty", `{"value":"9 mm","with":"plug_gauge"}`, []string{"/with"}},
		{"an outside micrometer in a bore", "uncertainty", `{"value":"9 mm","with":"micrometer","shape":"bore"}`, []string{"/with"}},
		{"a bore gauge on a pin", "uncertainty", `{"value":"9 mm","with":"bore_gauge","shape":"pin"}`, []string{"/with"}},
		{"a diameter of nothing", "uncertainty", `{"value":"0 mm","with":"caliper"}`, []string{"/value"}},
		{"a diameter below nothing", "uncertainty", `{"value":"-9 mm","with":"caliper"}`, []string{"/value"}},
		{"a diameter of nine metres", "uncertainty", `{"value":"9000 mm","with":"caliper","temperature_celsius":-60,"workpiece_expansion":100}`, []string{"/value"}},
		{"a resolution of nothing", "uncertainty", `{"value":"9 mm","with":"caliper","resolution":"0 mm","repeatability":"-1 um"}`, []string{"/resolution", "/repeatability"}},
		{"a certificate beyond the size", "uncertainty", `{"value":"9 mm","with":"caliper","calibration":{"expanded_uncertainty":"1 in"}}`, []string{"/calibration/expanded_uncertainty"}},
		{"a coverage factor of 100", "uncertainty", `{"value":"9 mm","with":"caliper","calibration":{"expanded_uncertainty":"1 um","coverage_factor":100}}`, []string{"/calibration/coverage_factor"}},
		{"colder than the model", "uncertainty", `{"value":"9 mm","with":"caliper","temperature_celsius":-273}`, []string{"/temperature_celsius"}},
		{"no inputs", "uncertainty", `{"inputs":[]}`, []string{"/inputs"}},
		{"an input below nothing", "uncertainty", `{"inputs":[{"name":"a","u":-1},{"name":"b","u":1e300}]}`, []string{"/inputs/0/u", "/inputs/1/u"}},
		{"no freedom at all", "uncertainty", `{"inputs":[{"name":"a","u":1,"degrees_of_freedom":0}]}`, []string{"/inputs/0/degrees_of_freedom"}},

		{"no readings", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[]}`, []string{"/readings"}},
		{"too many readings", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[` + many + `]}`, []string{"/readings"}},
		{"an empty reading", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{}]}`, []string{"/readings/0"}},
		{"value and gauge in one", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","with":"caliper","gauge":"8 mm","result":"go"}]}`, []string{"/readings/0/gauge"}},
		{"a gauge without a result", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"gauge":"8 mm"}]}`, []string{"/readings/0/result"}},
		{"a value without a method", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm"}]}`, []string{"/readings/0/with"}},
		{"an outside micrometer in a bore", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","with":"micrometer"}]}`, []string{"/readings/0/with"}},
		{"a gauge that is read", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","with":"pin_gauge"},{"gauge":"8 mm","result":"go","with":"caliper"}]}`, []string{"/readings/0/with", "/readings/1/with"}},
		{"fields of the other sort", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","u":"1 um","result":"go","end":"a","part_length":true},{"gauge":"8 mm","result":"go","station":"middle","direction":3}]}`,
			[]string{"/readings/0/result", "/readings/0/end", "/readings/0/part_length", "/readings/1/station", "/readings/1/direction"}},
		{"inches for millimetres", "clean-up", `{"nominal":"8 mm","reamer":"8.1 in","readings":[{"value":"8.1 in","with":"caliper"},{"gauge":"0.318 mm","result":"go"}]}`, []string{"/reamer", "/readings/0/value", "/readings/1/gauge"}},
		{"an uncertainty of nothing", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","u":"0 mm"},{"value":"8 mm","u":"5 mm"},{"gauge":"8 mm","result":"go","u":"-1 um"}]}`, []string{"/readings/0/u", "/readings/1/u", "/readings/2/u"}},
		{"a nominal size of nothing", "clean-up", `{"nominal":"0 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","u":"1 um"}]}`, []string{"/nominal"}},
		{"a nominal size of nine metres", "clean-up", `{"nominal":"9 mm","reamer":"9000 mm","readings":[{"value":"9 mm","u":"1 um"}]}`, []string{"/reamer"}},
		{"a gauge for which no class exists", "clean-up", `{"nominal":"0.2 mm","reamer":"0.2 mm","readings":[{"gauge":"0.2 mm","result":"go"}]}`, []string{"/readings/0/gauge"}},
		{"form error of a mountain", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8 mm","u":"1 um"}],"form":{"bell_mouth":"8 mm","ovality":"-1 um","surface":"1 in"}}`, []string{"/form/bell_mouth", "/form/ovality", "/form/surface"}},
		{"an unknown word everywhere", "clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","surface":"mossy","guidance":"by_eye","readings":[{"value":"8 mm","u":"1 um","station":"roof"}]}`, []string{"/surface", "/guidance", "/readings/0/station"}},
	} {
		r := w.calc(c.calc, c.body)
		if r.status != 422 {
			t.Errorf("%s, %s: %d\n%s", c.calc, c.name, r.status, r.body)
			continue
		}
		for _, at := range c.at {
			found := false
			list, _ := r.get("errors").([]any)
			for _, f := range list {
				fault := f.(map[string]any)
				found = found || fault["pointer"] == at && fault["detail"] != ""
			}
			if !found {
				t.Errorf("%s, %s: no fault at %s\n%s", c.calc, c.name, at, r.body)
			}
		}
	}
}

// What is odd but possible is answered.
func TestCalculatorsAnswerWhatIsOddButPossible(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for name, ask := range map[string][2]string{
		"inputs that all are known exactly": {"uncertainty", `{"inputs":[{"name":"a","u":0},{"name":"b","u":0,"degrees_of_freedom":1}]}`},
		"inputs that nearly vanish":         {"uncertainty", `{"inputs":[{"name":"a","u":1e-200,"degrees_of_freedom":3},{"name":"b","u":1e-320}]}`},
		"inputs as large as they may be":    {"uncertainty", `{"inputs":[{"name":"a","u":1e12,"sensitivity":1e12,"degrees_of_freedom":1},{"name":"b","u":1e12,"sensitivity":-1e12,"degrees_of_freedom":1e9}]}`},
		"a pin as hot as the model goes":    {"uncertainty", `{"value":"1000 mm","with":"caliper","shape":"pin","temperature_celsius":200,"workpiece_expansion":100,"instrument_expansion":0}`},
		"the smallest bore":                 {"uncertainty", `{"value":"0.1 mm","with":"caliper","shape":"bore","temperature_celsius":-60}`},
		"gauges that contradict each other": {"clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"gauge":"8.2 mm","result":"go"},{"gauge":"8.0 mm","result":"no_go","end":"both"},{"gauge":"8.1 mm","result":"starts","end":"both"}]}`},
		"values that contradict each other": {"clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"value":"8.0 mm","u":"0.001 um","station":"middle"},{"value":"11.9 mm","u":"0.001 um","station":"middle"}]}`},
		"the smallest uncertainty":          {"clean-up", `{"nominal":"1000 mm","reamer":"1500 mm","readings":[{"value":"1000 mm","u":"1e-3 um"}]}`},
		"the largest uncertainty":           {"clean-up", `{"nominal":"8 mm","reamer":"4 mm","readings":[{"value":"12 mm","u":"0.8 mm"}]}`},
		"a go alone":                        {"clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"gauge":"8 mm","result":"go"}]}`},
		"a no-go alone":                     {"clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","readings":[{"gauge":"8 mm","result":"no_go"}]}`},
		"form error that is all":            {"clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","guidance":"held_to_axis","form":{"bell_mouth":"0.8 mm","ovality":"0.8 mm","surface":"0.8 mm"},"readings":[{"value":"8 mm","u":"1 um"}]}`},
	} {
		r := w.calc(ask[0], ask[1])
		if r.status != 200 {
			t.Errorf("%s: %d\n%s", name, r.status, r.body)
		}
	}
}

// The calculators are open to everyone, so the largest question must stay cheap.
func TestTheLargestCleanUpQuestionIsAnswered(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	w.calc("clean-up", largestCleanUp()).want(200)
}

func BenchmarkTheLargestCleanUpQuestion(b *testing.B) {
	w := withoutDatabase(b)
	for b.Loop() {
		w.calc("clean-up", largestCleanUp()).want(200)
	}
}

// largestCleanUp is as many readings as are taken, of every kind.
func largestCleanUp() string {
	methods := []string{"caliper", "inside_micrometer", "bore_gauge", "telescoping_gauge"}
	var rows []string
	for i := range 30 {
		switch i % 4 {
		case 0:
			rows = append(rows, fmt.Sprintf(`{"value":"8.%03d mm","with":"%s"}`, 100+i%7, methods[i/4%4]))
		case 1:
			rows = append(rows, fmt.Sprintf(`{"value":"8.%03d mm","with":"%s","station":"mouth_a","direction":%d}`, 100+i%7, methods[i/4%4], i))
		case 2:
			rows = append(rows, fmt.Sprintf(`{"gauge":"8.%03d mm","result":"go","end":"both"}`, 50+i%40))
		case 3:
			rows = append(rows, fmt.Sprintf(`{"gauge":"8.%03d mm","result":"starts","end":"both"}`, 100+i%30))
		}
	}
	return `{"nominal":"8 mm","reamer":"8.2 mm","surface":"rusty","guidance":"held_to_axis","readings":[` + strings.Join(rows, ",") + `]}`
}

func TestACleanUpQuestionThatWaitsTooLongIsAskedToComeAgain(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	// A request whose time is over before its turn comes, behind more than can be
	// worked on at once.
	short, err := api.New(api.Options{Log: slog.New(slog.NewJSONHandler(logOf(t), nil)), Limits: api.Limits{Request: time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	w.handler = short.Handler()
	body := largestCleanUp()
	statuses := make(chan int, 16)
	for range cap(statuses) {
		go func() {
			r := httptest.NewRequest("POST", "/v1/calc/clean-up", strings.NewReader(body))
			r.Header.Set("Content-Type", "application/json")
			rec := httptest.NewRecorder()
			w.handler.ServeHTTP(rec, r)
			if rec.Code == 503 && rec.Header().Get("Retry-After") == "" {
				t.Error("no time to come again is told")
			}
			statuses <- rec.Code
		}()
	}
	seen := map[int]int{}
	for range cap(statuses) {
		seen[<-statuses]++
	}
	if seen[503] == 0 || seen[200]+seen[503] != cap(statuses) {
		t.Errorf("answers %v, want some 503 and else 200", seen)
	}
}
