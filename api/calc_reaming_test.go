package api_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"pinwright/internal/calc/reaming"
	"pinwright/openapi"
)

// Machinery's Handbook, cutting speeds for drilling and reaming, as copied on a
// toolmaker's page: 1018 at 125-175 HB is reamed at 60 ft/min with high-speed
// steel, 275 with carbide; 60 ft/min at 0.5 in are 458.366 turns a minute. The tool life is
// a textbook's example (from memory): n 0.223, C 229, 12.667 min at 130 m/min.
func TestReamingAdviceIsThatOfTheTables(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("reaming?explain=true", `{"diameter":"0.5 in","bore":"0.487 in","work":"low_carbon_steel","hardness_hb":150,"tool":"hss","drive":"lathe","flutes":6,"spindle_speeds":[1200,80,420,300],
		"tool_life":{"first":{"speed_m_min":160,"minutes":5},"second":{"speed_m_min":100,"minutes":41},"at_speed_m_min":130}}`).want(200)
	near(t, "cutting speed", r.num("cutting_speed_ft_min", "greatest"), 60, 1e-4)
	near(t, "half of drilling", r.num("cutting_speed_ft_min", "least"), 45, 1e-4)
	near(t, "spindle", r.num("spindle_speed", "greatest"), 458.366, 1e-3)
	near(t, "set", r.num("set_spindle_speed"), 420, 0)
	near(t, "n", r.num("tool_life", "n"), 0.223372, 1e-6)
	near(t, "C", r.num("tool_life", "c_m_min"), 229.219, 1e-3)
	near(t, "life", r.num("tool_life", "minutes"), 12.6671, 1e-4)
	// Material left for reaming, the same pages: 0.010 to 0.016 in up to 0.880 in.
	if r.str("stock", "least", "text") != "0.01000 in" || r.str("stock", "greatest", "text") != "0.01600 in" || r.str("stock_verdict") != "enough" || len(r.get("assumed").([]any)) != 0 {
		t.Errorf("%s", r.body)
	}
	symbols := ""
	for _, step := range r.get("explanation").([]any) {
		symbols += " " + step.(map[string]any)["result"].(map[string]any)["symbol"].(string)
	}
	if symbols != " v_ft v v_slow n_slow n f F s_max s k n C T" {
		t.Errorf("derived%s", symbols)
	}
	carbide := w.calc("reaming", `{"diameter":"0.5 in","work":"low_carbon_steel","hardness_hb":150,"tool":"carbide"}`).want(200)
	near(t, "carbide", carbide.num("cutting_speed_ft_min", "greatest"), 275, 1e-3)
	if carbide.get("cutting_speed_ft_min", "least") != nil {
		t.Errorf("%s", carbide.body)
	}
	// The least that can be sent, with every default said.
	least := w.calc("reaming", `{"diameter":"10 mm","work":"alloy_steel"}`).want(200)
	for _, code := range []string{"assumed_tool", "assumed_drive", "assumed_flutes", "assumed_hardness", "assumed_as_cast"} {
		if !strings.Contains(string(least.body), `"`+code+`"`) {
			t.Errorf("%s is not said: %s", code, least.body)
		}
	}
	hand := w.calc("reaming", `{"diameter":"10 mm","bore":"9 mm","work":"bronze","drive":"hand","tool":"carbide","hardness_hb":90}`).want(200)
	if hand.get("spindle_speed") != nil || hand.get("feed") != nil || hand.str("stock_verdict") != "too_much" || !strings.Contains(string(hand.body), "carbide_breaks") || !strings.Contains(string(hand.body), "too_much_stock") {
		t.Errorf("%s", hand.body)
	}
	fast := w.calc("reaming", `{"diameter":"10 mm","bore":"9.99 mm","work":"high_carbon_steel","drive":"hand_drill","spindle_speeds":[5000]}`).want(200)
	if fast.get("set_spindle_speed") != nil || !strings.Contains(string(fast.body), "machine_too_fast") || !strings.Contains(string(fast.body), "too_little_stock") {
		t.Errorf("%s", fast.body)
	}
	if far := w.calc("reaming", `{"diameter":"10 mm","work":"brass","tool_life":{"first":{"speed_m_min":160,"minutes":5},"second":{"speed_m_min":100,"minutes":41}}}`).want(200); far.get("tool_life", "extrapolated") != true {
		t.Errorf("%s", far.body)
	}
	w.faultsAt("reaming", `{"diameter":"0 mm","work":"brass"}`, "/diameter")
	w.faultsAt("reaming", `{"diameter":"10 in","work":"brass"}`, "/diameter")
	w.faultsAt("reaming", `{"diameter":"10 mm","bore":"10 mm","work":"brass"}`, "/bore")
	w.faultsAt("reaming", `{"diameter":"10 mm","bore":"-1 mm","work":"brass"}`, "/bore")
	w.faultsAt("reaming", `{"diameter":"10 mm","work":"cheese"}`, "/work")
	w.faultsAt("reaming", `{"work":"brass"}`, "/diameter")
	w.faultsAt("reaming", `{"diameter":"10 mm","work":"high_carbon_steel","hardness_hb":600}`, "/hardness_hb")
	w.faultsAt("reaming", `{"diameter":"10 mm","work":"brass","tool":"wood","drive":"steam","flutes":0,"spindle_speeds":[0]}`, "/tool", "/drive", "/flutes", "/spindle_speeds/0")
	w.faultsAt("reaming", `{"diameter":"10 mm","work":"brass","tool_life":{"first":{"speed_m_min":160,"minutes":41},"second":{"speed_m_min":100,"minutes":5}}}`, "/tool_life")
	w.faultsAt("reaming", `{"diameter":"10 mm","work":"brass","tool_life":{"first":{"speed_m_min":160,"minutes":5},"second":{"speed_m_min":159.999,"minutes":500000},"at_speed_m_min":0.01}}`, "/tool_life")
}

// The contract lists the materials of the table, no more and no fewer.
func TestWorkMaterialsAreThoseOfTheTable(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	var want []any
	for _, work := range reaming.Works() {
		want = append(want, string(work))
	}
	if got := doc.Components.Schemas["ReamingIn"].Value.Properties["work"].Value.Enum; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
