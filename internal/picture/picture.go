// Package picture makes of a photo as it was sent the two pictures that are
// kept: one to look at and a thumbnail. Both are written anew from the pixels
// alone, upright and of bounded size, so that nothing else that came with the
// photo is kept: neither where it was taken nor by which device, nor what
// somebody has hidden in it. It knows no club and keeps nothing.
//
// What decoding takes is known from a picture's header before it begins, and a
// Room bounds what all that are decoded at once take together.
package picture

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"time"

	"golang.org/x/sync/semaphore"

	"pinwright/internal/problem"
)

// Bounds of what is taken and of what is kept. A phone's picture of today has 12
// to 50 million pixels, and 2560 of them side by side show a scratch on a pin.
const (
	MostPixels    = 40_000_000
	MostSide      = 20_000
	LongestSide   = 2560
	ThumbnailSide = 320
)

const (
	imageQuality     = 85
	thumbnailQuality = 80
)

// The media types, which are those taken and those kept.
const (
	JPEG = "image/jpeg"
	PNG  = "image/png"
)

// Rendition is one picture that is kept.
type Rendition struct {
	MediaType     string
	Width, Height int
	Data          []byte
}

// Developed is what is kept of a photo.
type Developed struct{ Image, Thumbnail Rendition }

// Room is where pictures are developed: not too many at once, and not with more
// memory than there is.
type Room struct {
	memory int64
	least  int64 // what the smallest picture counts as, so that only so many fit
	space  *semaphore.Weighted
}

// NewRoom makes a room for atOnce pictures that take at most memory bytes
// together.
func NewRoom(memory int64, atOnce int) *Room {
	return &Room{memory: memory, least: memory / int64(atOnce), space: semaphore.NewWeighted(memory)}
}

// Inspect reads the header of a picture that was sent as mediaType and refuses
// what cannot be one, and what is too large to be developed here.
func (r *Room) Inspect(mediaType string, data []byte) (Header, error) {
	h, err := inspect(mediaType, data)
	if err != nil {
		return h, err
	}
	if h.need > r.memory {
		return h, flaw("has %d × %d pixels and would take %d MiB to decode as it is saved; at most %d MiB are given to that here. Save it smaller, or as a JPEG that is not progressive",
			h.Width, h.Height, h.need>>20, r.memory>>20)
	}
	return h, nil
}

// Develop waits for its place in the room and makes what is kept of the picture
// that data holds and h is the header of. Equal pictures are developed to equal
// bytes by the same build of the program.
func (r *Room) Develop(ctx context.Context, h Header, data io.Reader) (Developed, error) {
	weight := max(h.need, r.least)
	if err := r.space.Acquire(ctx, weight); err != nil {
		return Developed{}, crowded(err)
	}
	defer r.space.Release(weight)
	out, err := develop(h, stoppable{ctx, data})
	if ctx.Err() != nil {
		return Developed{}, crowded(ctx.Err())
	}
	return out, err
}

func crowded(cause error) error {
	return &problem.Error{Kind: problem.Unavailable, Detail: "Many photos come in now. Send the same request again after Retry-After seconds.", RetryAfter: 5 * time.Second, Cause: cause}
}

// stoppable ends a decoder when the time of its request is up.
type stoppable struct {
	ctx  context.Context
	data io.Reader
}

func (s stoppable) Read(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.data.Read(p)
}

func develop(h Header, data io.Reader) (Developed, error) {
	decode := jpeg.Decode
	if h.MediaType == PNG {
		decode = png.Decode
	}
	m, err := decode(data)
	if err != nil {
		return Developed{}, damaged(err)
	}
	m = shrunk(m, h.Orientation, LongestSide) // and what was decoded is free
	small := shrunk(m, upright, ThumbnailSide)
	var out Developed
	if out.Image, err = encode(m, h.MediaType, imageQuality); err != nil {
		return Developed{}, err
	}
	out.Thumbnail, err = encode(small, h.MediaType, thumbnailQuality)
	return out, err
}

// encode writes m as it was sent, but a PNG as a JPEG where that is smaller: it
// is for drawings, and a photo saved as one would take ten times the space.
func encode(m image.Image, mediaType string, quality int) (Rendition, error) {
	b := m.Bounds()
	out := Rendition{MediaType: JPEG, Width: b.Dx(), Height: b.Dy()}
	var asJPEG, asPNG bytes.Buffer
	if err := jpeg.Encode(&asJPEG, m, &jpeg.Options{Quality: quality}); err != nil {
		return out, fmt.Errorf("picture: %w", err)
	}
	out.Data = asJPEG.Bytes()
	if mediaType == JPEG {
		return out, nil
	}
	if err := png.Encode(&asPNG, m); err != nil {
		return out, fmt.Errorf("picture: %w", err)
	}
	if asPNG.Len() <= asJPEG.Len() {
		out.MediaType, out.Data = PNG, asPNG.Bytes()
	}
	return out, nil
}

// flaw is the refusal of a picture for what it is.
func flaw(format string, args ...any) error {
	return problem.Invalid(problem.Fault{Detail: "the picture " + fmt.Sprintf(format, args...)})
}

// damaged says how to mend what a decoder does not read.
func damaged(err error) error {
	var jpegForm jpeg.UnsupportedError
	var pngForm png.UnsupportedError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF),
		errors.Is(err, jpeg.FormatError("short Huffman data")), errors.Is(err, png.FormatError("not enough pixel data")):
		return flaw("ends before it is complete; it was cut off on its way, so send it again")
	case errors.As(err, &jpegForm), errors.As(err, &pngForm):
		return flaw("is saved in a way that is not taken (%v); save it as a plain JPEG", err)
	}
	return flaw("is damaged (%v); take or save it anew", err)
}
