package picture

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color/palette"
	"image/jpeg"
	"io"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"

	"pinwright/internal/problem"
)

// chunk is one chunk of a PNG (third edition, 5.3).
func chunk(name string, data []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	out = append(append(out, name...), data...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

// blackPNG is a PNG that is black all over, 16 bits deep with colour and
// transparency, or as depth and colour say; told size by size, since what it
// would take to make it in memory is what it is for.
func blackPNG(t testing.TB, w, h int, depth, colour byte, interlaced bool, pixels bool) []byte {
	t.Helper()
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, uint32(w)), uint32(h))
	head = append(head, depth, colour, 0, 0, 0)
	var packed bytes.Buffer
	z := zlib.NewWriter(&packed)
	channels := map[byte]int{0: 1, 2: 3, 4: 2, 6: 4}[colour]
	line := func(w int) int { return 1 + (w*channels*int(depth)+7)/8 }
	rows := func(w, h int) {
		if w == 0 || h == 0 {
			return
		}
		for range h {
			if _, err := z.Write(make([]byte, line(w))); err != nil {
				t.Fatal(err)
			}
		}
	}
	if interlaced {
		head[12] = 1
		// The seven passes of table 8.1 of the specification: first column and row, then steps.
		for _, p := range [7][4]int{{0, 0, 8, 8}, {4, 0, 8, 8}, {0, 4, 4, 8}, {2, 0, 4, 4}, {0, 2, 2, 4}, {1, 0, 2, 2}, {0, 1, 1, 2}} {
			if pixels {
				rows((w-p[0]+p[2]-1)/p[2], (h-p[1]+p[3]-1)/p[3])
			}
		}
	} else if pixels {
		rows(w, h)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return slices.Concat(pngSignature, chunk("IHDR", head), chunk("IDAT", packed.Bytes()), chunk("IEND", nil))
}

func TestWhatIsNoPictureOrTooLargeIsRefusedBeforeItIsDecoded(t *testing.T) {
	t.Parallel()
	photo := fixture(t, "orientation-6.jpg")
	manyPasses := slices.Clone(photo)
	for range mostScans {
		manyPasses = append(manyPasses, 0xff, 0xda)
	}
	hugeJPEG := slices.Clone(photo)
	frame := bytes.Index(hugeJPEG, []byte{0xff, 0xc0})
	copy(hugeJPEG[frame+5:], []byte{0xff, 0xff, 0xff, 0xff})
	for _, tc := range []struct {
		name, mediaType string
		data            []byte
		kind            problem.Kind
		says            string
	}{
		{"nothing", JPEG, nil, problem.InvalidRequest, "does not begin like"},
		{"JSON", JPEG, []byte(`{"a":1}`), problem.InvalidRequest, "does not begin like"},
		{"a page that calls itself a picture", PNG, []byte("<!doctype html><script>1</script>"), problem.InvalidRequest, "does not begin like"},
		{"a GIF", JPEG, []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), problem.InvalidRequest, "save JPEG"},
		{"a HEIC", JPEG, []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"), problem.InvalidRequest, "save JPEG"},
		{"a PNG sent as a JPEG", JPEG, fixture(t, "chunks.png"), problem.UnsupportedMediaType, "Content-Type: image/png"},
		{"a JPEG sent as a PNG", PNG, photo, problem.UnsupportedMediaType, "Content-Type: image/jpeg"},
		{"a JPEG of which only the beginning came", JPEG, photo[:40], problem.InvalidRequest, "send it again"},
		{"a PNG of which only the beginning came", PNG, fixture(t, "chunks.png")[:20], problem.InvalidRequest, "send it again"},
		{"a JPEG of 65535 × 65535", JPEG, hugeJPEG, problem.InvalidRequest, "40 million"},
		{"a PNG of 50000 × 50000", PNG, blackPNG(t, 50000, 50000, 8, 2, false, false), problem.InvalidRequest, "40 million"},
		{"a PNG of 2147483647 × 1", PNG, blackPNG(t, 1<<31-1, 1, 1, 0, false, false), problem.InvalidRequest, "along a side"},
		{"a PNG of 20001 × 1", PNG, blackPNG(t, 20001, 1, 8, 0, false, false), problem.InvalidRequest, "along a side"},
		{"a deep PNG that would take 320 MB", PNG, blackPNG(t, 8000, 5000, 16, 6, false, false), problem.InvalidRequest, "MiB"},
		{"a PNG whose header is damaged", PNG, append(slices.Clone(fixture(t, "chunks.png")[:24]), fixture(t, "chunks.png")[25:]...), problem.InvalidRequest, "damaged"},
		{"a JPEG with a pass a hundred times", JPEG, manyPasses, problem.InvalidRequest, "passes"},
	} {
		_, err := NewRoom(256<<20, 1).Inspect(tc.mediaType, tc.data)
		wantProblem(t, tc.name, err, tc.kind, tc.says)
	}
}

func TestWhatIsCutOffOrDamagedIsRefusedWhenItIsDecoded(t *testing.T) {
	t.Parallel()
	develop := func(mediaType string, data []byte) error {
		room := NewRoom(256<<20, 1)
		h, err := room.Inspect(mediaType, data)
		if err != nil {
			t.Fatal(err)
		}
		_, err = room.Develop(t.Context(), h, bytes.NewReader(data))
		return err
	}
	big := asJPEG(t, noise(300, 200), 80)
	wantProblem(t, "half a JPEG", develop(JPEG, big[:len(big)/2]), problem.InvalidRequest, "send it again")
	drawing := asPNG(t, noise(300, 200))
	wantProblem(t, "half a PNG", develop(PNG, drawing[:len(drawing)/2]), problem.InvalidRequest, "send it again")
	wantProblem(t, "a PNG without its end", develop(PNG, drawing[:len(drawing)-12]), problem.InvalidRequest, "send it again")
	torn := slices.Clone(drawing)
	torn[len(torn)/2] ^= 1
	wantProblem(t, "a PNG with a bit turned", develop(PNG, torn), problem.InvalidRequest, "damaged")
	little := blackPNG(t, 100, 100, 8, 2, false, false)
	wantProblem(t, "a PNG with no pixels", develop(PNG, little), problem.InvalidRequest, "the picture")
}

// What a header says developing will allocate, everything that is thrown away
// on the way included, is never less than what it does.
func TestWhatDevelopingAllocatesIsKnownBefore(t *testing.T) { // alone: it counts what the process allocates
	gray := image.NewGray(image.Rect(0, 0, 1500, 1000))
	coloured := image.NewPaletted(image.Rect(0, 0, 1500, 1000), palette.Plan9)
	for _, tc := range []struct {
		name, mediaType string
		data            []byte
	}{
		{"a photo", JPEG, asJPEG(t, noise(2800, 700), 92)},
		{"a photo that is not shrunk", JPEG, asJPEG(t, noise(1200, 800), 100)},
		{"a small photo", JPEG, fixture(t, "orientation-6.jpg")},
		{"grey", JPEG, asJPEG(t, gray, 90)},
		{"progressive", JPEG, fixture(t, "progressive.jpg")},
		{"four colours", JPEG, fixture(t, "cmyk.jpg")},
		{"a PNG", PNG, asPNG(t, noise(900, 600))},
		{"a PNG that is not shrunk", PNG, blackPNG(t, 2560, 1000, 8, 6, false, true)},
		{"a PNG with a palette", PNG, asPNG(t, coloured)},
		{"a grey PNG", PNG, asPNG(t, gray)},
		{"a deep PNG", PNG, blackPNG(t, 1500, 1000, 16, 6, false, true)},
		{"a deep grey PNG with transparency", PNG, blackPNG(t, 1500, 1000, 16, 4, false, true)},
		{"a deep PNG in passes", PNG, blackPNG(t, 1500, 1000, 16, 6, true, true)},
		{"a PNG in passes", PNG, blackPNG(t, 1500, 1000, 8, 2, true, true)},
		{"a wide PNG", PNG, blackPNG(t, 20000, 10, 16, 6, true, true)},
	} {
		h, err := inspect(tc.mediaType, tc.data)
		if err != nil {
			t.Fatal(err)
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if _, err := develop(h, bytes.NewReader(tc.data)); err != nil {
			t.Fatalf("%s: %v", tc.name, err)
		}
		runtime.ReadMemStats(&after)
		took := int64(after.TotalAlloc - before.TotalAlloc)
		t.Logf("%-34s %4d MiB of %4d", tc.name, took>>20, h.need>>20)
		if took > h.need {
			t.Errorf("%s: allocated %d bytes, said to need %d", tc.name, took, h.need)
		}
	}
}

// slow is a picture that is read only when it is let go; it counts how many are
// being read.
type slow struct {
	data           io.Reader
	once           bool
	now, most      *atomic.Int64
	entered, letGo chan struct{}
}

func (s *slow) Read(p []byte) (int, error) {
	if !s.once {
		s.once = true
		now := s.now.Add(1)
		for most := s.most.Load(); now > most && !s.most.CompareAndSwap(most, now); most = s.most.Load() {
		}
		s.entered <- struct{}{}
		<-s.letGo
		defer s.now.Add(-1)
	}
	return s.data.Read(p)
}

func TestOfManyAtOnceOnlySoManyAreDecoded(t *testing.T) {
	t.Parallel()
	const many = 32
	photo := fixture(t, "orientation-6.jpg")
	h, err := inspect(JPEG, photo)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		memory int64
		atOnce int
		need   int64
		most   int64
	}{
		{"as many as there are places", 64 << 20, 3, h.need, 3},
		{"as many as there is memory for", 64 << 20, 16, 30 << 20, 2},
		{"one that needs all", 64 << 20, 16, 64 << 20, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			room := NewRoom(tc.memory, tc.atOnce)
			h := h
			h.need = tc.need
			var now, most atomic.Int64
			entered, letGo, ended := make(chan struct{}, many), make(chan struct{}), make(chan error, many)
			for range many {
				go func() {
					_, err := room.Develop(t.Context(), h, &slow{data: bytes.NewReader(photo), now: &now, most: &most, entered: entered, letGo: letGo})
					ended <- err
				}()
			}
			for range tc.most {
				<-entered
			}
			if room.space.TryAcquire(max(tc.need, room.least)) {
				t.Errorf("%d are decoded and there is space for one more", tc.most)
			}
			close(letGo)
			for range many {
				if err := <-ended; err != nil {
					t.Error(err)
				}
			}
			if !room.space.TryAcquire(tc.memory) {
				t.Error("not all places were given back")
			}
			if most.Load() != tc.most {
				t.Errorf("%d at once, want %d", most.Load(), tc.most)
			}
		})
	}
}

func TestWhoeverWaitsTooLongIsToldToComeBack(t *testing.T) {
	t.Parallel()
	photo := fixture(t, "orientation-6.jpg")
	room := NewRoom(64<<20, 1)
	h, err := room.Inspect(JPEG, photo)
	if err != nil {
		t.Fatal(err)
	}
	if !room.space.TryAcquire(64 << 20) {
		t.Fatal("the room is not empty")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = room.Develop(ctx, h, bytes.NewReader(photo))
	wantProblem(t, "no place", err, problem.Unavailable, "Send the same request again")
	room.space.Release(64 << 20)
	_, err = room.Develop(ctx, h, bytes.NewReader(photo))
	wantProblem(t, "time is up", err, problem.Unavailable, "Send the same request again")
	if _, err := room.Develop(t.Context(), h, bytes.NewReader(photo)); err != nil {
		t.Errorf("the place was not given back: %v", err)
	}
}

// Whatever is in a file: what the header says is what is decoded, what is kept
// is bounded, and there is no panic.
func FuzzDevelop(f *testing.F) {
	for _, name := range []string{"orientation-1.jpg", "orientation-6.jpg", "gray.jpg", "chunks.png", "clear.png"} {
		f.Add(fixture(f, name))
	}
	f.Add(blackPNG(f, 9, 7, 16, 6, true, true))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, mediaType := range []string{JPEG, PNG} {
			h, err := inspect(mediaType, data)
			if err != nil || h.Width*h.Height > 1<<20 {
				continue
			}
			if mediaType == JPEG {
				m, err := jpeg.Decode(bytes.NewReader(data))
				if err == nil && (m.Bounds().Dx() != h.Width || m.Bounds().Dy() != h.Height) {
					t.Fatalf("decoded to %v, the header says %d × %d", m.Bounds(), h.Width, h.Height)
				}
			}
			out, err := develop(h, bytes.NewReader(data))
			if err != nil {
				if _, told := problem.As(err); !told {
					t.Fatal(err)
				}
				continue
			}
			if w := max(out.Image.Width, out.Image.Height); w > LongestSide || w != max(h.Width, h.Height) && w != LongestSide {
				t.Fatalf("%d × %d became %d × %d", h.Width, h.Height, out.Image.Width, out.Image.Height)
			}
			decoded(t, out.Image)
			decoded(t, out.Thumbnail)
		}
	})
}

// A phone's picture of 12 million pixels, about 4 MB.
func BenchmarkDevelopAPhonesPicture(b *testing.B) {
	data := asJPEG(b, noise(4032, 3024), 88)
	room := NewRoom(256<<20, 1)
	h, err := room.Inspect(JPEG, data)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		out, err := room.Develop(b.Context(), h, bytes.NewReader(data))
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(data))/1e6, "MB-sent")
		b.ReportMetric(float64(len(out.Image.Data))/1e6, "MB-kept")
		b.ReportMetric(float64(len(out.Thumbnail.Data))/1e3, "kB-thumbnail")
	}
}
