package plot_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pinwright/internal/plot"
)

// element is an element of a picture with what is written in it.
type element struct {
	name  string
	attrs map[string]string
	text  string
}

func (e element) number(t testing.TB, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(e.attrs[name], 64)
	if err != nil {
		t.Fatalf("<%s %s=%q>: %v", e.name, name, e.attrs[name], err)
	}
	return v
}

// parsed reads a picture strictly and holds it to what every picture promises:
// well-formed XML, a root that names title and desc, and nothing that acts, links or
// brings a style of its own.
func parsed(t testing.TB, svg []byte) []element {
	t.Helper()
	var out []element
	d := xml.NewDecoder(bytes.NewReader(svg))
	depth := 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
		switch v := token.(type) {
		case xml.StartElement:
			depth++
			e := element{name: v.Name.Local, attrs: map[string]string{}}
			if v.Name.Space != "http://www.w3.org/2000/svg" {
				t.Errorf("<%s> is of namespace %q", e.name, v.Name.Space)
			}
			for _, a := range v.Attr {
				e.attrs[a.Name.Local] = a.Value
				if strings.HasPrefix(a.Name.Local, "on") || a.Name.Local == "href" || a.Name.Local == "style" {
					t.Errorf("<%s> has %s", e.name, a.Name.Local)
				}
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Errorf("<%s %s=%q>", e.name, a.Name.Local, a.Value)
				}
			}
			if !strings.Contains(" svg title desc style rect line circle path text ", " "+e.name+" ") {
				t.Errorf("<%s> has no business in a picture", e.name)
			}
			out = append(out, e)
		case xml.CharData:
			if len(out) > 0 && depth > 1 {
				out[len(out)-1].text += string(v)
			}
		case xml.EndElement:
			depth--
		case xml.Comment, xml.ProcInst, xml.Directive:
			t.Errorf("holds %T", v)
		}
	}
	root, title, desc := out[0], out[1], out[2]
	if root.name != "svg" || root.attrs["role"] != "img" || root.attrs["aria-labelledby"] != title.attrs["id"]+" "+desc.attrs["id"] ||
		title.name != "title" || desc.name != "desc" || strings.TrimSpace(title.text) == "" || strings.TrimSpace(desc.text) == "" {
		t.Errorf("the root does not name its title and desc: %v, %v, %v", root, title, desc)
	}
	inside(t, out)
	return out
}

// inside holds every place and every text of a picture within its frame, and every
// coordinate as a number.
func inside(t testing.TB, all []element) {
	t.Helper()
	box := strings.Fields(all[0].attrs["viewBox"])
	if len(box) != 4 || box[2] != "360" {
		t.Fatalf("viewBox %v", box)
	}
	high, err := strconv.ParseFloat(box[3], 64)
	if err != nil || !(high > 0 && high < 100_000) {
		t.Fatalf("height %q", box[3])
	}
	for _, e := range all {
		for name, most := range map[string]float64{"x": 360, "cx": 360, "x1": 360, "x2": 360, "y": high, "cy": high, "y1": high, "y2": high} {
			if _, there := e.attrs[name]; there {
				if v := e.number(t, name); v < -1 || v > most+1 {
					t.Errorf("<%s %s=%v> lies outside, %q", e.name, name, v, e.text)
				}
			}
		}
		if e.name == "path" {
			for i, n := range regexp.MustCompile(`-?[0-9.]+`).FindAllString(e.attrs["d"], -1) {
				v, err := strconv.ParseFloat(n, 64)
				if most := []float64{360, high}[i%2]; err != nil || v < -10 || v > most+10 {
					t.Errorf("path %s leaves the picture", e.attrs["d"])
					break
				}
			}
		}
		if e.name == "text" {
			// Half the size for each letter is what the usual fonts take on average, or less.
			wide := 0.5 * 14 * float64(utf8.RuneCountInString(e.text))
			x := e.number(t, "x")
			switch e.attrs["text-anchor"] {
			case "end":
				x -= wide
			case "middle":
				x -= wide / 2
			}
			if x < -4 || x+wide > 364 {
				t.Errorf("%q runs out of the picture: from %v to %v", e.text, x, x+wide)
			}
		}
	}
}

// described is the description of a picture.
func described(all []element) string { return all[2].text }

// marks finds the elements of a class.
func marks(all []element, name, class string) []element {
	var out []element
	for _, e := range all {
		if e.name == name && strings.Contains(" "+e.attrs["class"]+" ", " "+class+" ") {
			out = append(out, e)
		}
	}
	return out
}

// across reads the axis at the foot of a picture back: it returns which value
// stands at a place, by its first and last tick.
func across(t testing.TB, all []element) func(x float64) float64 {
	t.Helper()
	var at, value []float64
	for i, e := range all {
		if e.name == "line" && e.attrs["class"] == "axis" && e.attrs["x1"] == e.attrs["x2"] && i+1 < len(all) && all[i+1].name == "text" {
			if v, err := strconv.ParseFloat(all[i+1].text, 64); err == nil {
				at, value = append(at, e.number(t, "x1")), append(value, v)
			}
		}
	}
	if len(at) < 2 {
		t.Fatalf("found %d ticks", len(at))
	}
	last := len(at) - 1
	return func(x float64) float64 {
		return value[0] + (x-at[0])/(at[last]-at[0])*(value[last]-value[0])
	}
}

// A picture is true when what is read off it is what was drawn.
func TestFeatureIsReadOffAsItIs(t *testing.T) {
	t.Parallel()
	f := bore()
	all := parsed(t, f.SVG(plot.Auto))
	value := across(t, all)
	pixel := math.Abs(value(1) - value(0))
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 0.1*pixel {
			t.Errorf("%s is read off as %v, want %v", what, got, want)
		}
	}
	dots := marks(all, "circle", "mark-ink")
	if len(dots) != 1 {
		t.Fatalf("%d measured readings are drawn, want 1", len(dots))
	}
	near("the reading", value(dots[0].number(t, "cx")), 9.128)
	bars := marks(all, "line", "ink")
	var caps []float64
	for _, b := range bars {
		if b.attrs["x1"] == b.attrs["x2"] && b.number(t, "y2")-b.number(t, "y1") == 12 {
			caps = append(caps, value(b.number(t, "x1")))
		}
	}
	if len(caps) != 2 {
		t.Fatalf("the bar has %d ends", len(caps))
	}
	near("its lower end", caps[0], 9.118)
	near("its upper end", caps[1], 9.138)
	near("the median of the passing size", value(marks(all, "circle", "open")[0].number(t, "cx")), 9.121)
	for i, want := range [][2]float64{{9.115, 9.127}, {9.13, 9.18}} {
		interval := marks(all, "line", "thick")[i]
		near("the interval's lower end", value(interval.number(t, "x1")), want[0])
		near("the interval's upper end", value(interval.number(t, "x2")), want[1])
	}
	pins := marks(all, "rect", "mark-c")
	if len(pins) != 2 {
		t.Fatalf("%d pins are drawn, want the two that are near", len(pins))
	}
	near("the first oversize pin", value(pins[0].number(t, "x")+pins[0].number(t, "width")/2), 9.1)
}

func TestFeatureTellsTheSameInWords(t *testing.T) {
	t.Parallel()
	all := parsed(t, bore().SVG(plot.Auto))
	told := described(all)
	for _, want := range []string{"9.121 ± 0.006 mm", "9.150 (9.130 to 9.180) mm", "4 readings", "go 9.110 mm, end a", "no go 9.130 mm, end a", "starts 9.125 mm, end b", "9.128 ± 0.010 mm",
		"Step oversize 2: pin 9.16 mm, reamer 9.17 mm.", "2 steps of the ladder outside the picture"} {
		if !strings.Contains(told, want) {
			t.Errorf("%q is not told in %q", want, told)
		}
	}
}

// odd are features with whatever may be missing, too many or no number.
func odd() map[string]plot.Feature {
	nan, inf := math.NaN(), math.Inf(1)
	out := map[string]plot.Feature{
		"nothing":         {Title: "x", Summary: "Nothing has been read."},
		"no numbers":      {Title: "x", Sizes: []plot.Size{{Name: "S", Text: "?", Median: nan, Low: -inf, High: inf}}, Readings: []plot.Reading{{Kind: plot.Measured, Text: "?", Value: nan}, {Text: "!", Value: 1, U: inf}}, Steps: []plot.Step{{Name: "none", Pin: nan, Reamer: nan}}},
		"one point":       {Title: "x", Unit: "mm", Sizes: []plot.Size{{Name: "S", Text: "9", Median: 9, Low: 9, High: 9, CDF: func(x float64) float64 { return map[bool]float64{true: 1}[x >= 9] }}}, Readings: []plot.Reading{{Kind: plot.Measured, Value: 9, Text: "9 mm"}}, Steps: []plot.Step{{"same", 9, 9}}},
		"zero":            {Title: "x", Unit: "mm", Readings: []plot.Reading{{Kind: plot.Measured, Text: "0"}}},
		"enormous":        {Title: "x", Unit: "um", Readings: []plot.Reading{{Kind: plot.AtLeast, Value: -1e7, Text: "a"}, {Kind: plot.AtMost, Value: 1e7, Text: "b"}}},
		"a law of nans":   {Title: "x", Sizes: []plot.Size{{Name: "S", Text: "?", Median: 1, Low: 0, High: 2, CDF: func(float64) float64 { return nan }}}},
		"very long words": {Title: strings.Repeat("Oversized", 30), Summary: "x", Sizes: []plot.Size{{Name: strings.Repeat("W", 99), Text: strings.Repeat("9", 80)}}, Readings: []plot.Reading{{Text: strings.Repeat("word ", 40), Value: 2}}},
	}
	var many, gauged []plot.Reading
	for i := range 1000 {
		many = append(many, plot.Reading{Kind: plot.Measured, Text: "a reading", Value: 9 + 0.001*math.Sin(float64(i)), U: 0.002})
		gauged = append(gauged, plot.Reading{Kind: []plot.Kind{plot.AtLeast, plot.AtMost, plot.Starts}[i%3], Text: "a gauge", Value: 9 + float64(i%200)/1000})
	}
	var ladder []plot.Step
	for i := range 64 {
		ladder = append(ladder, plot.Step{Name: fmt.Sprint("oversize ", i), Pin: 9 + float64(i)*0.0005, Reamer: 9.0002 + float64(i)*0.0005})
	}
	out["a thousand readings"] = plot.Feature{Title: "x", Unit: "mm", Readings: many, Steps: ladder}
	out["a thousand gauges"] = plot.Feature{Title: "x", Unit: "mm", Readings: gauged, Steps: ladder}
	return out
}

func TestOddFeaturesAreDrawnWithinTheFrame(t *testing.T) {
	t.Parallel()
	for name, f := range odd() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			svg := f.SVG(plot.Auto)
			parsed(t, svg)
			if len(svg) > 60_000 {
				t.Errorf("%d bytes", len(svg))
			}
		})
	}
}

func TestEqualDataGiveEqualBytes(t *testing.T) {
	t.Parallel()
	for range 3 {
		if !bytes.Equal(bore().SVG(plot.Dark), bore().SVG(plot.Dark)) {
			t.Fatal("two drawings of one feature differ")
		}
	}
}

func FuzzTextsStayTexts(f *testing.F) {
	for _, s := range []string{"bore", `"><script>alert(1)</script>`, "]]>", "&amp;", "\x00\x01\uFFFE", "\xff\xfe", "'\"<>&", "日本語 الحامل 🔧", " ", "\u2028", "<!--"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 200 {
			return
		}
		b := bore()
		b.Title, b.Summary, b.Unit = "x"+text, text, text
		b.Readings[0].Text, b.Steps[0].Name, b.Sizes[0].Text, b.Sizes[0].Name = text, text, text, text
		d := xml.NewDecoder(bytes.NewReader(b.SVG(plot.Auto)))
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				t.Fatalf("%q: %v", text, err)
			}
			if e, ok := token.(xml.StartElement); ok && !strings.Contains(" svg title desc style rect line circle path text ", " "+e.Name.Local+" ") {
				t.Fatalf("%q made <%s>", text, e.Name.Local)
			}
		}
	})
}

func BenchmarkFeature(b *testing.B) {
	f := bore()
	b.ReportAllocs()
	for b.Loop() {
		f.SVG(plot.Auto)
	}
}
