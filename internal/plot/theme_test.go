package plot

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// luminance and contrast are those of WCAG 2.2, “relative luminance” and
// “contrast ratio”, with the threshold of sRGB (IEC 61966-2-1).
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	rgb, err := hex.DecodeString(strings.TrimPrefix(colour, "#"))
	if err != nil || len(rgb) != 3 {
		t.Fatalf("%q is no colour", colour)
	}
	linear := func(b byte) float64 {
		v := float64(b) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(rgb[0]) + 0.7152*linear(rgb[1]) + 0.0722*linear(rgb[2])
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

func TestContrast(t *testing.T) {
	t.Parallel()
	// “Contrast ratios can range from 1 to 21 (commonly written 1:1 to 21:1)”, WCAG 2.2,
	// contrast ratio, note 1; #777 on white is the failing 4.47 of Technique G18's
	// examples (from memory).
	if c := contrast(t, "#000000", "#ffffff"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white is %v, want 21", c)
	}
	if c := contrast(t, "#777777", "#ffffff"); math.Abs(c-4.48) > 0.01 {
		t.Fatalf("#777 on white is %v, want 4.48", c)
	}
	colours := map[string]shade{}
	for _, s := range shades {
		colours[s.name] = s
	}
	hold := func(on, what string, least float64) {
		t.Helper()
		a, b := colours[what], colours[on]
		for scheme, pair := range map[string][2]string{"light": {a.light, b.light}, "dark": {a.dark, b.dark}} {
			if c := contrast(t, pair[0], pair[1]); c < least {
				t.Errorf("%s: %s on %s is %.2f to 1, want %v", scheme, what, on, c, least)
			}
		}
	}
	for _, text := range []string{"ink", "dim", "a", "b", "c", "bad"} { // 1.4.3
		hold("bg", text, 4.5)
	}
	for _, pale := range []string{"a-pale", "b-pale", "c-pale", "bad-pale"} {
		hold(pale, "ink", 4.5)
		hold(pale, strings.TrimSuffix(pale, "-pale"), 3)
	}
	hold("bg", "edge", 3) // 1.4.11; grid lines carry nothing alone and are exempt
}

func TestTextIsLargeAndLinesAreThick(t *testing.T) {
	t.Parallel()
	for _, r := range rules {
		for _, m := range regexp.MustCompile(`font-size:([0-9.]+)px`).FindAllStringSubmatch(r, -1) {
			if v, err := strconv.ParseFloat(m[1], 64); err != nil || v < 14 {
				t.Errorf("%s: text smaller than 14", r)
			}
		}
		if m := regexp.MustCompile(`stroke-width:([0-9.]+)px`).FindStringSubmatch(r); m != nil && regexp.MustCompile(`^\.(a|b|c|bad|ink|axis|chosen|second)[,{]`).MatchString(r) {
			if v, err := strconv.ParseFloat(m[1], 64); err != nil || v < 2 {
				t.Errorf("%s: thinner than 2", r)
			}
		}
		for _, m := range inRule.FindAllStringSubmatch(r, -1) {
			if !strings.Contains(Auto.style(), "--"+m[2]+":") {
				t.Errorf("%s: there is no colour %s", r, m[2])
			}
		}
	}
}

func TestPolicyAllowsTheStylesAndNothingElse(t *testing.T) {
	t.Parallel()
	allowed := strings.Fields(StylePolicy)
	if len(allowed) != 3 {
		t.Fatalf("%q allows %d styles, want 3", StylePolicy, len(allowed))
	}
	for i, s := range []Scheme{Auto, Light, Dark} {
		f := Feature{Title: "x"}
		_, rest, _ := strings.Cut(string(f.SVG(s)), "<style>")
		style, _, _ := strings.Cut(rest, "</style>")
		if strings.ContainsAny(style, "<&") {
			t.Errorf("the style is read differently as XML: %s", style)
		}
		sum := sha256.Sum256([]byte(style))
		if want := "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"; allowed[i] != want {
			t.Errorf("%s: the policy allows %s, the style is %s", s, allowed[i], want)
		}
		if strings.Contains(style, "prefers-color-scheme") != (s == Auto) {
			t.Errorf("%s: follows the system or does not", s)
		}
	}
}
