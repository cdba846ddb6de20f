package picture

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pinwright/internal/problem"
)

func fixture(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func mediaTypeOf(name string) string {
	if strings.HasSuffix(name, ".png") {
		return PNG
	}
	return JPEG
}

// made develops what a file holds.
func made(t testing.TB, mediaType string, data []byte) Developed {
	t.Helper()
	room := NewRoom(256<<20, 1)
	h, err := room.Inspect(mediaType, data)
	if err != nil {
		t.Fatal(err)
	}
	out, err := room.Develop(t.Context(), h, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func decoded(t testing.TB, r Rendition) image.Image {
	t.Helper()
	decode := jpeg.Decode
	if r.MediaType == PNG {
		decode = png.Decode
	}
	m, err := decode(bytes.NewReader(r.Data))
	if err != nil {
		t.Fatal(err)
	}
	if b := m.Bounds(); b.Dx() != r.Width || b.Dy() != r.Height {
		t.Errorf("is %v, told as %d × %d", b, r.Width, r.Height)
	}
	return m
}

// The four fields of the fixtures, as shown.
var fields = [2][2]color.RGBA{{{220, 30, 30, 255}, {30, 200, 30, 255}}, {{30, 30, 220, 255}, {230, 230, 230, 255}}}

func near(a, b color.Color, within int) bool {
	r, g, bl, _ := a.RGBA()
	r2, g2, b2, _ := b.RGBA()
	off := func(x, y uint32) int { return max(int(x>>8)-int(y>>8), int(y>>8)-int(x>>8)) }
	return off(r, r2) <= within && off(g, g2) <= within && off(bl, b2) <= within
}

// Each file was written by another program and is shown by it as the fields
// say; testdata/README.md tells which.
func TestPicturesAreShownUprightInAllEightOrientations(t *testing.T) {
	t.Parallel()
	files := []string{"chunks.png"}
	for n := range 8 {
		files = append(files, fmt.Sprintf("orientation-%d.jpg", n+1))
	}
	for _, name := range files {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			out := made(t, mediaTypeOf(name), fixture(t, name))
			if out.Image.Width != 48 || out.Image.Height != 32 {
				t.Fatalf("%d × %d, want 48 × 32", out.Image.Width, out.Image.Height)
			}
			for _, r := range []Rendition{out.Image, out.Thumbnail} {
				m := decoded(t, r)
				for row := range 2 {
					for column := range 2 {
						if got := m.At(12+24*column, 8+16*row); !near(got, fields[row][column], 12) {
							t.Errorf("row %d, column %d is %v, want %v", row, column, got, fields[row][column])
						}
					}
				}
			}
		})
	}
}

// The sides of the table of JEITA CP-3451C (Exif 2.3), tag 0x0112: where the
// 0th row and the 0th column of what is stored stand in what is shown.
var sides = map[orientation][2]string{1: {"top", "left"}, 2: {"top", "right"}, 3: {"bottom", "right"}, 4: {"bottom", "left"},
	5: {"left", "top"}, 6: {"right", "top"}, 7: {"right", "bottom"}, 8: {"left", "bottom"}}

func TestEverySampleGoesWhereTheTableOfExifSays(t *testing.T) {
	t.Parallel()
	const w, h = 5, 3
	for o, side := range sides {
		stored := image.NewGray(image.Rect(0, 0, w, h))
		for i := range stored.Pix {
			stored.Pix[i] = uint8(i + 1)
		}
		shown := shrunk(stored, o, LongestSide)
		across, down := shown.Bounds().Dx(), shown.Bounds().Dy()
		for y := range h {
			for x := range w {
				var at image.Point
				put := func(side string, n int) {
					switch side {
					case "left":
						at.X = n
					case "right":
						at.X = across - 1 - n
					case "top":
						at.Y = n
					case "bottom":
						at.Y = down - 1 - n
					}
				}
				put(side[0], y)
				put(side[1], x)
				if got := shown.(*image.Gray).GrayAt(at.X, at.Y).Y; got != uint8(y*w+x+1) {
					t.Errorf("orientation %d: row %d, column %d is not at %v", o, y, x, at)
				}
			}
		}
	}
}

func TestOnlyPixelsAreKept(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"orientation-6.jpg", "orientation-1.jpg", "chunks.png", "progressive.jpg", "cmyk.jpg", "gray.jpg"} {
		data := fixture(t, name)
		if mediaTypeOf(name) == JPEG { // and whatever a phone or somebody else appends
			data = append(slices.Clone(data), "PK\x03\x04 <script>whereabouts</script>"...)
		}
		out := made(t, mediaTypeOf(name), data)
		for _, r := range []Rendition{out.Image, out.Thumbnail} {
			if bytes.Contains(r.Data, []byte("whereabouts")) || bytes.Contains(r.Data, []byte("Exif")) {
				t.Errorf("%s: the text is still there", name)
			}
			parts := partsOf(t, r)
			allowed := []string{"SOI", "DQT", "SOF0", "DHT", "SOS", "EOI"} // ITU-T T.81, table B.1
			if r.MediaType == PNG {
				allowed = []string{"IHDR", "PLTE", "IDAT", "IEND"} // PNG specification, third edition, 11.2
			}
			for _, p := range parts {
				if !slices.Contains(allowed, p) {
					t.Errorf("%s: holds %s", name, p)
				}
			}
			if len(parts) < 3 {
				t.Errorf("%s: found only %v", name, parts)
			}
		}
	}
	// The fixtures do hold what must go, or this would prove nothing.
	for name, marks := range map[string][]string{
		"orientation-6.jpg": {"APP0", "APP1", "APP2", "APP13", "COM"}, "orientation-1.jpg": {"APP1", "COM"}, "chunks.png": {"tEXt", "zTXt", "iTXt", "iCCP", "eXIf", "pHYs"},
	} {
		parts := partsOf(t, Rendition{MediaType: mediaTypeOf(name), Data: fixture(t, name)})
		for _, m := range marks {
			if !slices.Contains(parts, m) {
				t.Errorf("%s has no %s, only %v", name, m, parts)
			}
		}
	}
}

// partsOf names the segments of a JPEG (ITU-T T.81, B.1.1) or the chunks of a
// PNG (third edition, 5.3), and fails where there is anything else.
func partsOf(t testing.TB, r Rendition) (out []string) {
	t.Helper()
	data := r.Data
	if r.MediaType == PNG {
		if !bytes.HasPrefix(data, pngSignature) {
			t.Fatal("no PNG")
		}
		for data = data[8:]; len(data) > 0; {
			n := binary.BigEndian.Uint32(data)
			out = append(out, string(data[4:8]))
			data = data[12+n:]
		}
		return out
	}
	names := map[byte]string{0xd8: "SOI", 0xd9: "EOI", 0xdb: "DQT", 0xc0: "SOF0", 0xc2: "SOF2", 0xc4: "DHT", 0xda: "SOS", 0xfe: "COM"}
	for len(data) > 0 {
		if data[0] != 0xff {
			t.Fatalf("%x between segments, after %v", data[0], out)
		}
		marker := data[1]
		name := names[marker]
		if marker >= 0xe0 && marker <= 0xef {
			name = fmt.Sprint("APP", marker-0xe0)
		}
		if name == "" {
			name = fmt.Sprintf("%#x", marker)
		}
		out, data = append(out, name), data[2:]
		if name == "SOI" || name == "EOI" {
			continue
		}
		data = data[binary.BigEndian.Uint16(data):]
		if name == "SOS" { // its data end at the next marker that is no restart
			for data[0] != 0xff || data[1] == 0 || data[1] >= 0xd0 && data[1] <= 0xd7 {
				data = data[1:]
			}
		}
	}
	return out
}

func TestSizesAreBoundedAndTheShapeIsKept(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ w, h, imageW, imageH, smallW, smallH int }{
		{4000, 3000, 2560, 1920, 320, 240},
		{3000, 4000, 1920, 2560, 240, 320},
		{2560, 100, 2560, 100, 320, 13},
		{200, 100, 200, 100, 200, 100}, // nothing is made larger
		{20000, 3, 2560, 1, 320, 1},
		{1, 1, 1, 1, 1, 1},
	} {
		out := made(t, JPEG, asJPEG(t, image.NewGray(image.Rect(0, 0, tc.w, tc.h)), 50))
		if out.Image.Width != tc.imageW || out.Image.Height != tc.imageH || out.Thumbnail.Width != tc.smallW || out.Thumbnail.Height != tc.smallH {
			t.Errorf("%d × %d became %d × %d and %d × %d", tc.w, tc.h, out.Image.Width, out.Image.Height, out.Thumbnail.Width, out.Thumbnail.Height)
		}
		decoded(t, out.Image)
		decoded(t, out.Thumbnail)
	}
}

// The mean over an area, worked out here pixel by pixel in fractions.
func TestShrinkingTakesTheMeanOverTheArea(t *testing.T) {
	t.Parallel()
	chance := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		across, down := 1+chance.IntN(4), 1+chance.IntN(2)
		w, h := 1+chance.IntN(40), 1+chance.IntN(40)
		columns, rows := (w+across-1)/across, (h+down-1)/down
		plane := make([]uint8, columns*rows)
		for i := range plane {
			plane[i] = uint8(chance.UintN(256))
		}
		toW, toH := 1+chance.IntN(w), 1+chance.IntN(h)
		out := make([]uint8, toW*toH)
		samples{w: w, h: h, channels: 1, across: across, down: down, row: func(y int) []uint8 { return plane[y*columns:] }}.
			into(out, toW, toH, upright.layoutFor(toW, toH, 1, toW))
		overlap := func(n, of, to, i int) float64 { // of pixel n of `to` with pixel i of `of`, as a part of the whole side
			from, until := max(float64(n)/float64(to), float64(i)/float64(of)), min(float64(n+1)/float64(to), float64(i+1)/float64(of))
			return max(0, until-from)
		}
		for y := range toH {
			for x := range toW {
				mean := 0.0
				for sy := range h {
					for sx := range w {
						mean += overlap(y, h, toH, sy) * overlap(x, w, toW, sx) * float64(plane[sy/down*columns+sx/across])
					}
				}
				mean *= float64(toW) * float64(toH)
				if got := float64(out[y*toW+x]); got < mean-0.5-1e-6 || got > mean+0.5+1e-6 {
					t.Fatalf("%d × %d (%d × %d a sample) to %d × %d: (%d, %d) is %v, want %v", w, h, across, down, toW, toH, x, y, got, mean)
				}
			}
		}
	}
}

func TestWhatIsTransparentIsWhite(t *testing.T) {
	t.Parallel()
	out := made(t, PNG, fixture(t, "clear.png"))
	if got := decoded(t, out.Image).At(10, 10); !near(got, color.White, 1) {
		t.Errorf("is %v", got)
	}
}

func TestAPhotoSavedAsPNGIsKeptAsJPEGAndADrawingAsPNG(t *testing.T) {
	t.Parallel()
	if got := made(t, PNG, fixture(t, "chunks.png")).Image.MediaType; got != PNG {
		t.Errorf("a drawing is kept as %s", got)
	}
	if got := made(t, PNG, asPNG(t, noise(200, 200))).Image.MediaType; got != JPEG {
		t.Errorf("a photo is kept as %s", got)
	}
}

func TestDevelopingIsDeterministic(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"orientation-6.jpg", "chunks.png", "cmyk.jpg"} {
		a, b := made(t, mediaTypeOf(name), fixture(t, name)), made(t, mediaTypeOf(name), fixture(t, name))
		if !bytes.Equal(a.Image.Data, b.Image.Data) || !bytes.Equal(a.Thumbnail.Data, b.Thumbnail.Data) {
			t.Errorf("%s: twice is not the same", name)
		}
	}
}

func asJPEG(t testing.TB, m image.Image, quality int) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func asPNG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := png.Encode(&out, m); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// noise is a picture with something to see in it: gradients with grain.
func noise(w, h int) *image.RGBA {
	chance := rand.New(rand.NewPCG(3, 4))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			grain := chance.IntN(24)
			i := m.PixOffset(x, y)
			m.Pix[i], m.Pix[i+1], m.Pix[i+2], m.Pix[i+3] = uint8(x*200/w+grain), uint8(y*200/h+grain), uint8((x/40+y/40)%2*80+grain), 255
		}
	}
	return m
}

func wantProblem(t *testing.T, what string, err error, kind problem.Kind, says string) {
	t.Helper()
	p, is := problem.As(err)
	if !is || p.Kind.Code != kind.Code || !strings.Contains(p.Detail, says) {
		t.Errorf("%s: %v, want %s that says %q", what, err, kind.Code, says)
	}
}
