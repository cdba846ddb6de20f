package picture

import (
	"image"
	"image/color"
	"image/draw"
)

// Why not a library's scaler: those at hand keep 32 bytes for each pixel of an
// intermediate picture, 250 MB for a phone's, and compute in floating point,
// whose last bit differs between processors. The mean over an area in whole
// numbers needs a row of memory and gives the same bytes everywhere.

// fit is the size of a picture of w × h whose longer side is longest at most.
func fit(w, h, longest int) (int, int) {
	long := max(w, h)
	if long <= longest {
		return w, h
	}
	return max(1, (w*longest+long/2)/long), max(1, (h*longest+long/2)/long)
}

// shrunk returns m as it is shown, upright, with its longer side longest at
// most. What is transparent is laid on white.
func shrunk(m image.Image, o orientation, longest int) image.Image {
	b := m.Bounds()
	w, h := fit(b.Dx(), b.Dy(), longest)
	shown := image.Rect(0, 0, w, h)
	if o.turned() {
		shown = image.Rect(0, 0, h, w)
	}
	switch m := m.(type) {
	case *image.Gray:
		out := image.NewGray(shown)
		samples{w: b.Dx(), h: b.Dy(), channels: 1, across: 1, down: 1, row: func(y int) []uint8 { return m.Pix[y*m.Stride:] }}.
			into(out.Pix, w, h, o.layoutFor(w, h, 1, out.Stride))
		return out
	case *image.YCbCr:
		// In full resolution of colour, so that it can be turned without shifting it.
		out := image.NewYCbCr(shown, image.YCbCrSubsampleRatio444)
		across, down := subsampling(m.SubsampleRatio)
		l := o.layoutFor(w, h, 1, out.YStride)
		samples{w: b.Dx(), h: b.Dy(), channels: 1, across: 1, down: 1, row: func(y int) []uint8 { return m.Y[y*m.YStride:] }}.into(out.Y, w, h, l)
		samples{w: b.Dx(), h: b.Dy(), channels: 1, across: across, down: down, row: func(y int) []uint8 { return m.Cb[y*m.CStride:] }}.into(out.Cb, w, h, l)
		samples{w: b.Dx(), h: b.Dy(), channels: 1, across: across, down: down, row: func(y int) []uint8 { return m.Cr[y*m.CStride:] }}.into(out.Cr, w, h, l)
		return out
	}
	out := image.NewRGBA(shown)
	line := image.NewRGBA(image.Rect(0, 0, b.Dx(), 1))
	white := image.NewUniform(color.White)
	samples{w: b.Dx(), h: b.Dy(), channels: 4, across: 1, down: 1, row: func(y int) []uint8 {
		draw.Draw(line, line.Rect, white, image.Point{}, draw.Src)
		draw.Draw(line, line.Rect, m, image.Pt(b.Min.X, b.Min.Y+y), draw.Over)
		return line.Pix
	}}.into(out.Pix, w, h, o.layoutFor(w, h, 4, out.Stride))
	return out
}

// subsampling is how many pixels a sample of colour covers.
func subsampling(r image.YCbCrSubsampleRatio) (across, down int) {
	switch r {
	case image.YCbCrSubsampleRatio422:
		return 2, 1
	case image.YCbCrSubsampleRatio420:
		return 2, 2
	case image.YCbCrSubsampleRatio440:
		return 1, 2
	case image.YCbCrSubsampleRatio411:
		return 4, 1
	case image.YCbCrSubsampleRatio410:
		return 4, 2
	}
	return 1, 1
}

// samples are one plane of a picture of w × h pixels: channels side by side for
// each sample, which covers across × down pixels, those at the edges as many as
// there are.
type samples struct {
	w, h, channels, across, down int
	row                          func(y int) []uint8
}

// into writes the mean of the samples over the area of each pixel of a picture of
// w × h, laid out as l says.
//
// Along each side lengths are counted in whole parts: a pixel that is read is as
// long as the number of pixels written, and the other way round, so that both
// pictures are equally long.
func (s samples) into(out []uint8, w, h int, l layout) {
	whole := uint64(s.w) * uint64(s.h)    //nolint:gosec // sizes of pictures, at most MostPixels
	sums := make([]uint64, w*s.channels)  // of the row that is written
	means := make([]uint64, w*s.channels) // of the row that is read, along it
	y, bottom := 0, min(s.down, s.h)*h    // the row of samples at hand, and where it ends
	s.along(s.row(0), means, w)           //
	for at, row := 0, 0; row < h; row++ { // at: how far down has been read
		clear(sums)
		for end := (row + 1) * s.h; at < end; {
			part := min(bottom, end) - at
			for i, mean := range means {
				sums[i] += uint64(part) * mean //nolint:gosec // a length
			}
			if at += part; at == bottom && at < h*s.h {
				y++
				bottom = min((y+1)*s.down, s.h) * h
				s.along(s.row(y), means, w)
			}
		}
		place := l.first + row*l.row
		for x := range w {
			for c := range s.channels {
				out[place+c] = uint8((sums[x*s.channels+c] + whole/2) / whole) //nolint:gosec // a mean of bytes
			}
			place += l.column
		}
	}
}

// along sums one row of samples over the length of each of w pixels.
func (s samples) along(line []uint8, sums []uint64, w int) {
	x, right := 0, min(s.across, s.w)*w // the sample at hand, and where it ends
	for at, column := 0, 0; column < w; column++ {
		into := sums[column*s.channels : (column+1)*s.channels]
		clear(into)
		for end := (column + 1) * s.w; at < end; {
			part := min(right, end) - at
			for c := range into {
				into[c] += uint64(part) * uint64(line[x*s.channels+c]) //nolint:gosec // a length
			}
			if at += part; at == right {
				x++
				right = min((x+1)*s.across, s.w) * w
			}
		}
	}
}
