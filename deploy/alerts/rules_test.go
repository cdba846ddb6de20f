// Package alerts_test holds when the alert rules beside it fire, worked out by
// Prometheus' own parser and query engine.
package alerts_test

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/model/rulefmt"
	"github.com/prometheus/prometheus/promql"
	"github.com/prometheus/prometheus/promql/parser"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/util/annotations"
)

const (
	rulesFile = "pinwright.rules.yml"
	runbook   = "../RUNBOOK.md"
)

func rules(t *testing.T) []rulefmt.Rule {
	t.Helper()
	groups, errs := rulefmt.ParseFile(rulesFile, false, model.LegacyValidation)
	for _, err := range errs {
		t.Error(err)
	}
	if groups == nil {
		t.FailNow()
	}
	var all []rulefmt.Rule
	for _, g := range groups.Groups {
		all = append(all, g.Rules...)
	}
	return all
}

// store is what a scrape would have kept: a sample each minute from time 0 on.
type store struct{ all []*promql.Series }

// load adds series in the notation of promtool's test files: up{job="a"} 0+1x10.
func (s *store) load(t *testing.T, text string) {
	t.Helper()
	lset, values, err := parser.ParseSeriesDesc(text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	one := &promql.Series{Metric: lset}
	for i, v := range values {
		if !v.Omitted {
			one.Floats = append(one.Floats, promql.FPoint{T: int64(i) * time.Minute.Milliseconds(), F: v.Value})
		}
	}
	s.all = append(s.all, one)
}

// record adds what a recording rule found at that time.
func (s *store) record(name string, found promql.Vector, at int64) {
	for _, sample := range found {
		b := labels.NewBuilder(sample.Metric)
		b.Set(model.MetricNameLabel, name)
		lset := b.Labels()
		i := slices.IndexFunc(s.all, func(o *promql.Series) bool { return labels.Equal(o.Metric, lset) })
		if i < 0 {
			s.all, i = append(s.all, &promql.Series{Metric: lset}), len(s.all)
		}
		s.all[i].Floats = append(s.all[i].Floats, promql.FPoint{T: at, F: sample.F})
	}
}

func (s *store) queryable() storage.Queryable {
	return &storage.MockQueryable{MockQuerier: &storage.MockQuerier{
		SelectMockFunction: func(_ bool, _ *storage.SelectHints, matchers ...*labels.Matcher) storage.SeriesSet {
			found := &seriesSet{at: -1}
			for _, one := range s.all {
				fits := true
				for _, m := range matchers {
					fits = fits && m.Matches(one.Metric.Get(m.Name))
				}
				if fits {
					found.list = append(found.list, promql.NewStorageSeries(*one))
				}
			}
			return found
		}}}
}

type seriesSet struct {
	list []storage.Series
	at   int
}

func (s *seriesSet) Next() bool                        { s.at++; return s.at < len(s.list) }
func (s *seriesSet) At() storage.Series                { return s.list[s.at] }
func (s *seriesSet) Err() error                        { return nil }
func (s *seriesSet) Warnings() annotations.Annotations { return nil }

// firing evaluates all rules every minute up to the end and returns the alerts
// that fire then, each with its labels.
func firing(t *testing.T, all []rulefmt.Rule, s *store, end time.Duration) []string {
	t.Helper()
	engine := promql.NewEngine(promql.EngineOpts{MaxSamples: 1e6, Timeout: time.Minute, LookbackDelta: 5 * time.Minute})
	defer engine.Close() //nolint:errcheck // nothing was opened
	since := map[string]time.Duration{}
	var out []string
	for at := time.Duration(0); at <= end; at += time.Minute {
		active := map[string]time.Duration{}
		out = nil
		for _, r := range all {
			now := time.UnixMilli(at.Milliseconds())
			q, err := engine.NewInstantQuery(context.Background(), s.queryable(), nil, r.Expr, now)
			if err != nil {
				t.Fatalf("%s%s: %v", r.Alert, r.Record, err)
			}
			result := q.Exec(context.Background())
			found, err := result.Vector()
			if err != nil {
				t.Fatalf("%s%s: %v", r.Alert, r.Record, err)
			}
			if r.Record != "" {
				s.record(r.Record, found, now.UnixMilli())
			}
			for _, sample := range found {
				if r.Alert == "" {
					continue
				}
				b := labels.NewBuilder(sample.Metric)
				b.Del(model.MetricNameLabel, "job")
				id := strings.TrimSuffix(r.Alert+" "+b.Labels().String(), " {}")
				active[id] = at
				if first, ok := since[id]; ok {
					active[id] = first
				}
				if at-active[id] >= time.Duration(r.For) {
					out = append(out, id)
				}
			}
			q.Close()
		}
		since = active
	}
	slices.Sort(out)
	return out
}

// Names of series that many cases have.
const (
	asked    = `http_server_request_duration_seconds_count{job="pinwright",instance="a",http_request_method="GET",http_route="/v1/clubs/:club/me",http_response_status_code="200"}`
	failed   = `http_server_request_duration_seconds_count{job="pinwright",instance="a",http_request_method="GET",http_route="/v1/clubs/:club/me",http_response_status_code="503"}`
	probed   = `http_server_request_duration_seconds_count{job="pinwright",instance="a",http_request_method="GET",http_route="/readyz",http_response_status_code="503"}`
	posted   = `http_server_request_duration_seconds_count{job="pinwright",instance="a",http_request_method="POST",http_route="/v1/clubs/:club/readings",http_response_status_code="503"}`
	computed = `http_server_request_duration_seconds_count{job="pinwright",instance="a",http_request_method="POST",http_route="/v1/calc/fit",http_response_status_code="200"}`
	events   = `pinwright_journal_events_total{job="pinwright",instance="a",type="reading.created"}`
	here     = `up{job="pinwright",instance="a"}`
)

// buckets is a histogram of which all that comes (10 a minute) lies above one
// bound and not above the next.
func buckets(name, more string, bounds []string, in string) []string {
	var out []string
	count := "0x700"
	for _, le := range bounds {
		if le == in {
			count = "0+10x700"
		}
		out = append(out, name+`_bucket{job="pinwright",instance="a",`+more+`,le="`+le+`"} `+count)
	}
	return out
}

func TestAlertsFireWhenTheyShould(t *testing.T) {
	t.Parallel()
	all := rules(t)
	seconds := []string{"0.1", "0.5", "1", "2.5", "5", "10", "+Inf"}
	cases := []struct {
		name   string
		series []string
		at     time.Duration
		want   []string
	}{
		{"all is well", []string{here + " 1x700", asked + " 0+60x700", computed + " 0+60x700", posted + " 0x700", events + " 0+5x700",
			`pinwright_ready{job="pinwright",instance="a",check="database"} 1x700`}, 400 * time.Minute, nil},

		{"a process is away for a minute", []string{here + " 1x20 0 1x20"}, 21 * time.Minute, nil},
		{"a process is away", []string{here + " 1x20 0x20"}, 30 * time.Minute, []string{`PinwrightDown {instance="a"}`}},
		{"there is no process at all", nil, 5 * time.Minute, []string{"PinwrightDown"}},

		{"stopping is not being unready", []string{here + " 1x20", `pinwright_ready{job="pinwright",instance="a",check="shutdown"} 0x20`}, 15 * time.Minute, nil},
		{"the schema is too old", []string{here + " 1x20", `pinwright_ready{job="pinwright",instance="a",check="schema"} 0x20`, `pinwright_ready{job="pinwright",instance="a",check="database"} 1x20`},
			5 * time.Minute, []string{`PinwrightNotReady {check="schema", instance="a"}`}},

		{"one failure in ten requests at night", []string{here + " 1x700", asked + " 0x100 0+1x8 8x100", failed + " 0x104 1x100"}, 110 * time.Minute, nil},
		{"a tenth fails for ten minutes", []string{here + " 1x700", asked + " 0+60x700", failed + " 0x600 0+6x100"}, 610 * time.Minute, nil}, // 1 h is not yet at 7.2 %
		{"a tenth fails for an hour", []string{here + " 1x700", asked + " 0+60x700", failed + " 0x600 0+6x100"}, 660 * time.Minute, []string{"PinwrightErrorBudgetBurnsFast"}},
		{"it was over ten minutes ago", []string{here + " 1x700", asked + " 0+60x700", failed + " 0x540 0+6x60 360x60"}, 611 * time.Minute, nil},
		{"one in twenty-five fails all day", []string{here + " 1x700", asked + " 0+48x700", failed + " 0+2x700"}, 400 * time.Minute, []string{"PinwrightErrorBudgetBurnsSlowly"}},
		{"one in a hundred fails all day", []string{here + " 1x700", asked + " 0+99x700", failed + " 0+1x700"}, 400 * time.Minute, nil},
		{"probes that fail are no requests", []string{here + " 1x700", asked + " 0+60x700", probed + " 0+60x700"}, 400 * time.Minute, nil},

		{"a fault of its own", []string{here + " 1x60", `pinwright_problems_total{job="pinwright",instance="a",problem="internal"} 0x30 1x30`}, 32 * time.Minute, []string{`PinwrightInternalErrors {instance="a"}`}},
		{"a fault an hour ago, and bad requests", []string{here + " 1x60", `pinwright_problems_total{job="pinwright",instance="a",problem="internal"} 0 1x60`,
			`pinwright_problems_total{job="pinwright",instance="a",problem="invalid-request"} 0+9x60`}, 55 * time.Minute, nil},

		{"requests take two seconds", append(buckets("http_server_request_duration_seconds", `http_route="/v1/clubs/:club/me"`, seconds, "2.5"), here+" 1x60"), 45 * time.Minute, []string{"PinwrightSlow"}},
		{"requests take half a second", append(buckets("http_server_request_duration_seconds", `http_route="/v1/clubs/:club/me"`, seconds, "0.5"), here+" 1x60"), 45 * time.Minute, nil},
		{"only the engine takes two seconds", append(append(buckets("http_server_request_duration_seconds", `http_route="/v1/clubs/:club/recommendations"`, seconds, "2.5"),
			buckets("pinwright_engine_duration_seconds", `calculation="recommendation"`, seconds, "2.5")...), here+" 1x60"), 45 * time.Minute, nil},
		{"the engine takes eight seconds", append(buckets("pinwright_engine_duration_seconds", `calculation="estimate"`, seconds, "10"), here+" 1x60"), 45 * time.Minute,
			[]string{`PinwrightEngineSlow {calculation="estimate"}`}},

		{"waits for a connection end in vain", []string{here + " 1x60", `db_client_connection_timeouts_total{job="pinwright",instance="a"} 0x20 0+1x40`}, 40 * time.Minute, []string{`PinwrightPoolExhausted {instance="a"}`}},
		{"somebody always waits", []string{here + " 1x60", `db_client_connection_pending_requests{job="pinwright",instance="a"} 3x60`}, 40 * time.Minute, []string{`PinwrightPoolExhausted {instance="a"}`}},
		{"somebody waits now and then", []string{here + " 1x60", `db_client_connection_pending_requests{job="pinwright",instance="a"} 0 3 0 2 0 0 1 0x50`}, 8 * time.Minute, nil},

		{"a fifth of the writes runs again", []string{here + " 1x60", `pinwright_transaction_retries_total{job="pinwright",instance="a",sqlstate="40P01"} 0+6x60`,
			`pinwright_transactions_total{job="pinwright",instance="a",kind="write",outcome="committed"} 0+30x60`}, 40 * time.Minute, []string{"PinwrightRetriesSurge"}},
		{"two of six writes run again at night", []string{here + " 1x60", `pinwright_transaction_retries_total{job="pinwright",instance="a",sqlstate="40P01"} 0x30 2x30`,
			`pinwright_transactions_total{job="pinwright",instance="a",kind="write",outcome="committed"} 0x30 6x30`}, 41 * time.Minute, nil},
		{"one write in fifty runs again", []string{here + " 1x60", `pinwright_transaction_retries_total{job="pinwright",instance="a",sqlstate="23505"} 0+6x60`,
			`pinwright_transactions_total{job="pinwright",instance="a",kind="write",outcome="committed"} 0+300x60`}, 40 * time.Minute, nil},

		{"the disk of the database is full", []string{here + " 1x60", `pinwright_db_errors_total{job="pinwright",instance="a",sqlstate="53100"} 0+2x60`}, 40 * time.Minute, []string{`PinwrightDatabaseTrouble {sqlstate="53100"}`}},
		{"constraints refuse and statements are cancelled", []string{here + " 1x60", `pinwright_db_errors_total{job="pinwright",instance="a",sqlstate="23P01"} 0+9x60`,
			`pinwright_db_errors_total{job="pinwright",instance="a",sqlstate="57014"} 0+9x60`}, 40 * time.Minute, nil},

		{"changes are sent and none is written", []string{here + " 1x90", posted + " 0+2x90", events + " 7x90"}, 80 * time.Minute,
			[]string{"PinwrightErrorBudgetBurnsFast", "PinwrightErrorBudgetBurnsSlowly", "PinwrightNoWrites"}},
		{"changes are sent and none was ever written", []string{here + " 1x90", strings.Replace(posted, `"503"`, `"409"`, 1) + " 0+2x90"}, 80 * time.Minute, []string{"PinwrightNoWrites"}},
		{"only the calculators are asked", []string{here + " 1x90", computed + " 0+60x90", events + " 7x90"}, 80 * time.Minute, nil},

		{"somebody tries tokens", []string{here + " 1x60", `pinwright_token_uses_total{job="pinwright",instance="a",outcome="refused"} 0+120x60`,
			`pinwright_token_uses_total{job="pinwright",instance="a",outcome="accepted"} 0+30x60`}, 40 * time.Minute, []string{"PinwrightTokensRefused"}},
		{"a few old phones knock", []string{here + " 1x60", `pinwright_token_uses_total{job="pinwright",instance="a",outcome="refused"} 0+5x60`,
			`pinwright_token_uses_total{job="pinwright",instance="a",outcome="accepted"} 0+3x60`}, 40 * time.Minute, nil},

		{"the collector of traces is away", []string{here + " 1x60", `pinwright_trace_spans_total{job="pinwright",instance="a",outcome="lost"} 0+9x60`}, 40 * time.Minute, []string{`PinwrightTracesLost {instance="a"}`}},
		{"traces arrive", []string{here + " 1x60", `pinwright_trace_spans_total{job="pinwright",instance="a",outcome="sent"} 0+9x60`, `pinwright_trace_spans_total{job="pinwright",instance="a",outcome="lost"} 4x60`}, 40 * time.Minute, nil},

		{"jobs run", []string{here + " 1x60", `pinwright_jobs_up{job="pinwright",instance="a"} 1x60`, `pinwright_jobs_up{job="pinwright",instance="b"} 0x60`, `pinwright_jobs_oldest_due_seconds{job="pinwright",instance="a"} 3x60`,
			`pinwright_sweep_age_seconds{job="pinwright",instance="a",sweep="reminders_of_tools"} 3590x60`, `pinwright_sweep_failures_total{job="pinwright",instance="a",sweep="mail"} 2x60`}, 40 * time.Minute, nil},
		{"no process takes jobs", []string{here + " 1x60", `pinwright_jobs_up{job="pinwright",instance="a"} 0x60`}, 40 * time.Minute, []string{"PinwrightJobsStandStill"}},
		{"jobs wait", []string{here + " 1x60", `pinwright_jobs_up{job="pinwright",instance="a"} 1x60`, `pinwright_jobs_oldest_due_seconds{job="pinwright",instance="a"} 0+60x60`}, 40 * time.Minute, []string{"PinwrightJobsStandStill"}},
		{"nobody puts jobs into the queue", []string{here + " 1x200", `pinwright_jobs_up{job="pinwright",instance="a"} 1x200`, `pinwright_jobs_oldest_due_seconds{job="pinwright",instance="a"} 0x200`,
			`pinwright_sweep_age_seconds{job="pinwright",instance="a",sweep="mail"} 0+60x200`}, 150 * time.Minute, []string{`PinwrightJobsStandStill {sweep="mail"}`}},
		{"a sweep fails in every club", []string{here + " 1x60", `pinwright_sweep_failures_total{job="pinwright",instance="a",sweep="reminders"} 0+3x60`}, 40 * time.Minute, []string{`PinwrightSweepFails {sweep="reminders"}`}},
		{"the mail server is away", []string{here + " 1x120", `pinwright_letters_total{job="pinwright",instance="a",outcome="later"} 0+1x120`, `pinwright_letters_total{job="pinwright",instance="a",outcome="sent"} 5x120`},
			90 * time.Minute, []string{"PinwrightMailFails"}},
		{"one box is full", []string{here + " 1x120", `pinwright_letters_total{job="pinwright",instance="a",outcome="later"} 0+1x120`, `pinwright_letters_total{job="pinwright",instance="a",outcome="sent"} 0+1x120`},
			90 * time.Minute, nil},

		{"a roll-out takes half an hour", []string{here + " 1x120", `pinwright_build_info{job="pinwright",instance="a",version="1",revision="x",schema="5"} 1x120`,
			`pinwright_build_info{job="pinwright",instance="b",version="2",revision="y",schema="5"} _x60 1x30`}, 89 * time.Minute, nil},
		{"a roll-out is stuck", []string{here + " 1x120", `pinwright_build_info{job="pinwright",instance="a",version="1",revision="x",schema="5"} 1x120`,
			`pinwright_build_info{job="pinwright",instance="b",version="2",revision="y",schema="5"} 1x120`}, 110 * time.Minute, []string{"PinwrightVersionsDiffer"}},
	}
	fired := map[string]bool{}
	for _, c := range cases {
		s := &store{}
		for _, text := range c.series {
			s.load(t, text)
		}
		got := firing(t, all, s, c.at)
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		for _, id := range got {
			name, _, _ := strings.Cut(id, " ")
			fired[name] = true
		}
	}
	for _, r := range all {
		if r.Alert != "" && !fired[r.Alert] {
			t.Errorf("no case makes %s fire", r.Alert)
		}
	}
}

func TestEveryAlertSaysWhatToDo(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(runbook)
	if err != nil {
		t.Fatal(err)
	}
	alerts := 0
	for _, r := range rules(t) {
		if r.Alert == "" {
			continue
		}
		alerts++
		if r.Annotations["summary"] == "" || !slices.Contains([]string{"page", "ticket"}, r.Labels["severity"]) {
			t.Errorf("%s has no summary or no severity", r.Alert)
		}
		if want := "deploy/RUNBOOK.md#" + strings.ToLower(r.Alert); r.Annotations["runbook"] != want {
			t.Errorf("%s points to %q, want %q", r.Alert, r.Annotations["runbook"], want)
		}
		_, section, found := strings.Cut(string(text), "\n## "+r.Alert+"\n")
		section, _, _ = strings.Cut(section, "\n## ")
		if !found {
			t.Errorf("%s has no section in %s", r.Alert, runbook)
		}
		for _, part := range []string{"**Means:**", "**Look at:**", "**Do:**"} {
			if !strings.Contains(section, part) {
				t.Errorf("the section of %s lacks %s", r.Alert, part)
			}
		}
	}
	if alerts < 10 {
		t.Errorf("only %d alerts", alerts)
	}
}
