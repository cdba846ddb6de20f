package api_test

import (
	"encoding/xml"
	"image"
	"image/color"
	"regexp"
	"strconv"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
)

// drawn is an SVG image of squares as pixels, one for each unit: what lies inside
// the path by the even-odd rule (SVG 1.1, 11.3) is dark. The path has straight level
// and upright lines only.
func drawn(t *testing.T, svg string) *image.Gray {
	t.Helper()
	var doc struct {
		ViewBox string `xml:"viewBox,attr"`
		Path    struct {
			D    string `xml:"d,attr"`
			Rule string `xml:"fill-rule,attr"`
		} `xml:"path"`
	}
	if err := xml.Unmarshal([]byte(svg), &doc); err != nil {
		t.Fatalf("the image is no XML: %v", err)
	}
	size := regexp.MustCompile(`^0 0 (\d+) (\d+)$`).FindStringSubmatch(doc.ViewBox)
	if size == nil || size[1] != size[2] || doc.Path.Rule != "evenodd" {
		t.Fatalf("view box %q, fill rule %q", doc.ViewBox, doc.Path.Rule)
	}
	number := func(s string) int {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatalf("%q in the path: %v", s, err)
		}
		return n
	}
	side := number(size[1])
	inside := make([]bool, side*side)
	x, y := 0, 0
	upright := func(to int) { // an upright line turns everything to its right over
		for row := min(y, to); row < max(y, to); row++ {
			for col := x; col < side; col++ {
				inside[row*side+col] = !inside[row*side+col]
			}
		}
		y = to
	}
	rest := doc.Path.D
	step := regexp.MustCompile(`^\s*(?:([ML])(\d+),(\d+)|([HV])(\d+))`)
	for rest != "" {
		m := step.FindStringSubmatch(rest)
		if m == nil {
			t.Fatalf("the path goes on with %.20q", rest)
		}
		rest = rest[len(m[0]):]
		switch {
		case m[1] == "M":
			x, y = number(m[2]), number(m[3])
		case m[1] == "L" && (number(m[2]) == x || number(m[3]) == y):
			upright(number(m[3]))
			x = number(m[2])
		case m[4] == "H":
			x = number(m[5])
		case m[4] == "V":
			upright(number(m[5]))
		default:
			t.Fatalf("a slanted line %q", m[0])
		}
	}
	out := image.NewGray(image.Rect(0, 0, side, side))
	for i, dark := range inside {
		if !dark {
			out.SetGray(i%side, i/side, color.Gray{Y: 255})
		}
	}
	return out
}

// The QR code is read back by another implementation of ISO/IEC 18004 than the one
// that wrote it (gozxing, a port of ZXing).
func TestTheQRCodeOfAPairingIsItsAddress(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for range 5 { // other masks, by other codes
		made := w.pair(w.officer, nil).want(201)
		picture := drawn(t, made.str("qr_svg"))
		bitmap, err := gozxing.NewBinaryBitmapFromImage(picture)
		if err != nil {
			t.Fatal(err)
		}
		// The image is as it was drawn, so no code need be looked for in it: that search
		// is for photographs, and guesses.
		read, err := qrcode.NewQRCodeReader().Decode(bitmap, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
		if err != nil {
			t.Fatal(err)
		}
		if read.GetText() != made.str("url") {
			t.Errorf("the QR code is read as %s, want %s", read.GetText(), made.str("url"))
		}
		// A quiet zone of four modules on every side (ISO/IEC 18004, 5.3.8 in the
		// edition of 2015); the finder pattern's edge of seven modules tells a module.
		dark := func(x, y int) bool { return picture.GrayAt(x, y).Y == 0 }
		side, first := picture.Bounds().Dx(), 0
		for !dark(first, first) {
			first++
		}
		edge := 0
		for dark(first+edge, first) {
			edge++
		}
		if first*7 < 4*edge || edge == 0 {
			t.Errorf("a quiet zone of %d where seven modules are %d", first, edge)
		}
		for i := range side {
			for j := range first {
				if dark(i, j) || dark(j, i) || dark(i, side-1-j) || dark(side-1-j, i) {
					t.Fatal("the quiet zone is not quiet")
				}
			}
		}
	}
}
