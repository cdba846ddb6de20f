package api_test

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"maps"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/model/rulefmt"
	"github.com/prometheus/prometheus/promql/parser"

	"pinwright/api"
	"pinwright/internal/jobs"
	"pinwright/internal/mail"
	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
	"pinwright/internal/telemetry"
)

// shown is what a scrape of an exercised service finds: for each name of a
// series its labels, and the values they had.
type shown map[string]map[string][]string

func shownBy(x exposed) shown {
	out := shown{}
	add := func(name string, m *dto.Metric, more ...string) {
		if out[name] == nil {
			out[name] = map[string][]string{"job": {"pinwright"}, "instance": {"a"}}
		}
		for _, l := range more {
			out[name][l] = nil
		}
		for _, l := range m.Label {
			out[name][l.GetName()] = append(out[name][l.GetName()], l.GetValue())
		}
	}
	for name, family := range x {
		for _, m := range family.Metric {
			if family.GetType() == dto.MetricType_HISTOGRAM {
				add(name+"_bucket", m, "le")
				add(name+"_sum", m)
				add(name+"_count", m)
			} else {
				add(name, m)
			}
		}
	}
	out["up"] = map[string][]string{"job": {"pinwright"}, "instance": {"a"}} // Prometheus' own
	return out
}

// faults lists what an expression asks for that no scrape finds.
func (s shown) faults(t *testing.T, expr string) []string {
	t.Helper()
	tree, err := parser.ParseExpr(expr)
	if err != nil {
		t.Fatalf("%s: %v", expr, err)
	}
	var out []string
	known := map[string]bool{}
	parser.Inspect(tree, func(n parser.Node, _ []parser.Node) error {
		v, ok := n.(*parser.VectorSelector)
		if !ok {
			return nil
		}
		if s[v.Name] == nil {
			out = append(out, "there is no "+v.Name)
			return nil
		}
		for l := range s[v.Name] {
			known[l] = true
		}
		for _, m := range v.LabelMatchers {
			values, ok := s[v.Name][m.Name]
			switch {
			case m.Name == model.MetricNameLabel || m.Name == "instance":
			case !ok:
				out = append(out, v.Name+" has no label "+m.Name)
			case m.Type == labels.MatchEqual && !slices.Contains(values, m.Value):
				out = append(out, v.Name+" has no "+m.Name+" "+m.Value)
			}
		}
		return nil
	})
	parser.Inspect(tree, func(n parser.Node, _ []parser.Node) error {
		if a, ok := n.(*parser.AggregateExpr); ok {
			for _, l := range a.Grouping {
				if !known[l] {
					out = append(out, "nothing in it has the label "+l)
				}
			}
		}
		return nil
	})
	return out
}

// exercisedScrape is the /metrics of a service that was asked for a bit of
// everything, with traces on.
func exercisedScrape(t *testing.T) (*world, shown) {
	t.Helper()
	collector := httptest.NewServer(nil)
	t.Cleanup(collector.Close)
	registry := prometheus.NewRegistry()
	traces, err := telemetry.Start(t.Context(), telemetry.Settings{Endpoint: collector.URL + "/v1/traces", Ratio: 0, Log: slog.New(slog.NewJSONHandler(io.Discard, nil)), Metrics: registry})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { traces.Stop(t.Context()) })
	w := newWorld(t, func(o *api.Options) { o.Metrics, o.Tracer = registry, traces.Tracer() })
	exercise(w)
	runJobs(t, w, registry)
	// A code that is taken is refused by its constraint, which is an error of the
	// database.
	w.do("POST", w.at("garages"), w.officer, workshop).want(409)
	return w, shownBy(w.exposed())
}

// runJobs lets what comes by the clock run beside the service, until a sweep has
// gone through.
func runJobs(t *testing.T, w *world, registry *prometheus.Registry) {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	if err := jobs.Migrate(t.Context(), w.db.OwnerURL, log); err != nil {
		t.Fatal(err)
	}
	if _, err := mail.New(mail.Settings{Addr: "127.0.0.1:1", Security: mail.StartTLS, From: "club@hollow-lane.example", Timeout: time.Second, Log: log, Metrics: registry}); err != nil {
		t.Fatal(err)
	}
	figures := jobs.NewFigures()
	registry.MustRegister(figures)
	r, err := jobs.New(jobs.Options{URL: w.db.JobsURL, DB: &postgres.DB{Pool: w.db.App}, Sweeps: []jobs.Sweep{{Name: "reminders", Every: time.Minute, Run: reminder.Sweep}}, Log: log, Figures: figures})
	if err != nil {
		t.Fatal(err)
	}
	r.Start(t.Context())
	t.Cleanup(func() {
		if err := r.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	for end := time.Now().Add(time.Minute); w.exposed()["pinwright_sweep_age_seconds"] == nil; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no sweep went through within a minute")
		}
	}
}

func TestAlertRulesAskForWhatTheServiceShows(t *testing.T) {
	t.Parallel()
	w, s := exercisedScrape(t)
	groups, errs := rulefmt.ParseFile("../deploy/alerts/pinwright.rules.yml", false, model.LegacyValidation)
	for _, err := range errs {
		t.Fatal(err)
	}
	routes := w.routes()
	rules := 0
	for _, g := range groups.Groups {
		for _, r := range g.Rules {
			rules++
			for _, fault := range s.faults(t, r.Expr) {
				t.Errorf("%s%s: %s", r.Record, r.Alert, fault)
			}
			for _, m := range regexp.MustCompile(`http_route(?:=~|!~)"([^"]*)"`).FindAllStringSubmatch(r.Expr, -1) {
				for _, route := range strings.Split(m[1], "|") {
					if !strings.HasSuffix(route, ".+") && !slices.Contains(routes, route) {
						t.Errorf("%s%s: there is no route %s", r.Record, r.Alert, route)
					}
				}
			}
			if r.Record != "" {
				s[r.Record] = map[string][]string{"job": {"pinwright"}, "calculation": nil}
			}
		}
	}
	if rules < 15 {
		t.Errorf("only %d rules", rules)
	}
}

func TestDashboardAsksForWhatTheServiceShows(t *testing.T) {
	t.Parallel()
	_, s := exercisedScrape(t)
	text, err := os.ReadFile("../deploy/dashboards/pinwright.json")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Title, UID    string
		SchemaVersion int
		Templating    struct {
			List []struct{ Name, Type, Definition string }
		}
		Panels []struct {
			ID                       int
			Type, Title, Description string
			Datasource               struct{ Type, UID string }
			GridPos                  struct{ H, W, X, Y int }
			Targets                  []struct{ RefID, Expr, LegendFormat string }
		}
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	if d.Title == "" || d.UID == "" || d.SchemaVersion < 36 {
		t.Errorf("title %q, uid %q, schema %d", d.Title, d.UID, d.SchemaVersion)
	}
	ids := map[int]bool{}
	asked := map[string]bool{}
	variables := strings.NewReplacer("$__rate_interval", "5m", "$instance", ".*")
	for _, p := range d.Panels {
		if ids[p.ID] || p.GridPos.X+p.GridPos.W > 24 || p.GridPos.H == 0 {
			t.Errorf("panel %d %q: its id or its place is wrong", p.ID, p.Title)
		}
		ids[p.ID] = true
		if p.Type == "row" {
			continue
		}
		if p.Datasource.UID != "${datasource}" || p.Description == "" || len(p.Targets) == 0 {
			t.Errorf("panel %q has no choice of its source, no description or no figures", p.Title)
		}
		for _, target := range p.Targets {
			expr := variables.Replace(target.Expr)
			if strings.Contains(expr, "$") {
				t.Errorf("%s: unknown variable in %s", p.Title, target.Expr)
			}
			for _, fault := range s.faults(t, expr) {
				t.Errorf("%s: %s", p.Title, fault)
			}
			tree, err := parser.ParseExpr(expr)
			if err != nil {
				t.Fatal(err)
			}
			parser.Inspect(tree, func(n parser.Node, _ []parser.Node) error {
				if v, ok := n.(*parser.VectorSelector); ok {
					asked[strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(v.Name, "_bucket"), "_sum"), "_count")] = true
				}
				return nil
			})
			for _, m := range regexp.MustCompile(`\{\{(\w+)\}\}`).FindAllStringSubmatch(target.LegendFormat, -1) {
				if !strings.Contains(expr, m[1]) {
					t.Errorf("%s: its legend names %s, which %s does not keep", p.Title, m[1], target.Expr)
				}
			}
		}
	}
	// What nobody looks at need not be counted.
	for _, name := range slices.Sorted(maps.Keys(s)) {
		base := strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(name, "_bucket"), "_sum"), "_count")
		if (strings.HasPrefix(name, "pinwright_") || strings.HasPrefix(name, "http_server_") || strings.HasPrefix(name, "db_client_")) && !asked[base] {
			t.Errorf("no panel shows %s", name)
		}
	}
}
