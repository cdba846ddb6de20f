package api_test

import (
	"crypto/sha256"
	"encoding/base64"
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
)

func init() { openapi3filter.RegisterBodyDecoder("text/html", openapi3filter.FileBodyDecoder) }

// The QR codes are read back by another implementation of ISO/IEC 18004 than the
// one that wrote them (gozxing, a port of ZXing), and their addresses followed.
func TestLabelsCarryTheAddressOfTheirTool(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.do("POST", w.at("garages"), w.officer, row{"code": "south", "name": "South", "time_zone": "UTC"}).want(201)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "W", "name": `<b>"Wrench" & co</b>`, "kind": "other"}).want(201)
	for number, model := range map[string]string{"R-1": "R8", "R-2": "R8", "M.7": "MIC", "W-1": "W", "R-3": "R8"} {
		addTool(w, number, model)
	}
	w.do("PATCH", w.at("tools/R-2"), w.officer, row{"place": "south"}, header{"If-Match", "*"}).want(200)
	w.do("PATCH", w.at("tools/R-3"), w.officer, row{"state": "retired"}, header{"If-Match", "*"}).want(200)

	of := func(query string, want ...string) string {
		t.Helper()
		sheet := w.do("GET", w.at("tool-labels?"+query), w.as("member"), nil).want(200)
		text := string(sheet.body)
		if got := sheet.header.Get("Content-Type"); got != "text/html; charset=utf-8" {
			t.Errorf("the sheet is %s", got)
		}
		style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(text)
		if style == nil {
			t.Fatal("the sheet has no style")
		}
		hash := sha256.Sum256([]byte(style[1]))
		policy := sheet.header.Get("Content-Security-Policy")
		if !strings.Contains(policy, "default-src 'none'; style-src 'sha256-"+base64.StdEncoding.EncodeToString(hash[:])+"';") || strings.Contains(policy, "unsafe") {
			t.Errorf("the policy %s does not name the style", policy)
		}
		for _, loads := range []string{"<script", " style=", " src=", " href=", "<link", "<img", "url("} {
			if strings.Contains(text, loads) {
				t.Errorf("the sheet has %s, which its policy refuses", loads)
			}
		}
		labels := strings.Split(text, "<li>")[1:]
		var got []string
		for _, label := range labels {
			svg := regexp.MustCompile(`(?s)<div class="code".*?(<svg.*?</svg>)`).FindStringSubmatch(label)
			if svg == nil {
				continue
			}
			bitmap, err := gozxing.NewBinaryBitmapFromImage(drawn(t, svg[1]))
			if err != nil {
				t.Fatal(err)
			}
			read, err := qrcode.NewQRCodeReader().Decode(bitmap, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
			if err != nil {
				t.Fatal(err)
			}
			address, err := url.Parse(read.GetText())
			if err != nil || !address.IsAbs() || address.Host == "" {
				t.Fatalf("the code leads to %q", read.GetText())
			}
			number := w.do("GET", address.Path, w.as("member"), nil).want(200).str("number")
			if !strings.Contains(label, `<p class="number">`+number+`</p>`) {
				t.Errorf("the code of %s stands on the label\n%s", number, label)
			}
			got = append(got, number)
		}
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("%q: labels of %v, want %v", query, got, want)
		}
		return text
	}
	all := of("", "M.7", "R-1", "R-2", "W-1")
	if strings.Count(all, `aria-label="Caution"`) != 2 || strings.Count(all, "Rotating tool") != 2 {
		t.Error("a reamer's label shows its caution, and no other does")
	}
	if !strings.Contains(all, "<p>8 mm</p>") || !strings.Contains(all, "<p>up to 25 mm</p>") || !strings.Contains(all, html.EscapeString(`<b>"Wrench" & co</b>`)) || strings.Contains(all, "<b>") {
		t.Error("names and sizes are not as they should be")
	}
	if !strings.Contains(all, "size: A4 portrait") || !strings.Contains(of("page=letter&garage=south", "R-2"), "size: letter portrait") {
		t.Error("the paper is not the one that was asked for")
	}
	of("tool=W-1&tool=R-3", "R-3", "W-1")
	if !strings.Contains(of("tool=R-1&units=in", "R-1"), " in</p>") {
		t.Error("a size is not in the unit that was asked for")
	}
	if none := of("tool=W-1&garage=south"); !strings.Contains(none, "no tool to make a label for") {
		t.Error("an empty sheet does not say so")
	}
	w.do("GET", w.at("tool-labels?tool=nothing&garage=nowhere"), w.officer, nil).want(422).wantFault("?tool").wantFault("?garage")
	w.do("GET", w.at("tool-labels?page=a5"), w.officer, nil).want(422).wantFault("?page")
	first := w.do("GET", w.at("tool-labels"), w.officer, nil).want(200)
	w.do("GET", w.at("tool-labels"), w.officer, nil, header{"If-None-Match", first.header.Get("ETag")}).want(304)
}
