package picture

import (
	"bytes"
	"encoding/binary"
	"image/color"
	"image/jpeg"
	"image/png"

	"pinwright/internal/problem"
)

// Header is what is known of a picture before it is decoded.
type Header struct {
	MediaType     string
	Width, Height int         // as stored
	Orientation   orientation // how it is to be shown
	need          int64       // bytes that developing it allocates, at most
}

// mostScans bounds the passes of a progressive JPEG, each of which may go over
// all of the picture and take next to no bytes. Encoders make about ten; two
// bytes in 65,536 look like a pass wherever something else is in the file, such
// as a film that a phone appends.
const mostScans = 100

var pngSignature = []byte("\x89PNG\r\n\x1a\n")

// inspect reads the header of a picture that was sent as mediaType.
func inspect(mediaType string, data []byte) (Header, error) {
	h := Header{MediaType: mediaType, Orientation: upright}
	is := ""
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xd8, 0xff}):
		is = JPEG
	case bytes.HasPrefix(data, pngSignature):
		is = PNG
	default:
		return h, flaw("does not begin like a JPEG or a PNG. Send the file as the camera saved it; a phone that saves HEIC, AVIF or WebP can be told to save JPEG")
	}
	if is != mediaType {
		return h, problem.New(problem.UnsupportedMediaType, "The body is %s but was sent as %s. Send it as Content-Type: %s.", is, mediaType, is)
	}
	var bytesDecoded int64
	var err error
	if is == JPEG {
		bytesDecoded, err = h.readJPEG(data)
	} else {
		bytesDecoded, err = h.readPNG(data)
	}
	if err != nil {
		return h, err
	}
	if w, t := int64(h.Width), int64(h.Height); w < 1 || t < 1 || w > MostSide || t > MostSide || w*t > MostPixels {
		return h, flaw("has %d × %d pixels; at most %d million are taken, and %d along a side. Save it smaller", h.Width, h.Height, MostPixels/1_000_000, MostSide)
	}
	w, t := fit(h.Width, h.Height, LongestSide)
	kept := int64(w) * int64(t)
	if h.MediaType == JPEG {
		h.need = bytesDecoded + 8*kept + 1<<20
	} else { // which is written both ways
		h.need = bytesDecoded + 20*kept + 4<<20
	}
	return h, nil
}

// frame is the frame header of a JPEG (ITU-T T.81, B.2.2).
type frame struct {
	progressive bool
	w, h        int
	parts       []byte // of each component: its id, its sampling factors, its table
}

// readJPEG returns how many bytes decoding allocates.
func (h *Header) readJPEG(data []byte) (int64, error) {
	f, exif, ok := readFrame(data)
	c, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return 0, damaged(err)
	}
	if !ok || f.w != c.Width || f.h != c.Height {
		return 0, flaw("is no JPEG that can be read; save it anew")
	}
	if n := bytes.Count(data, []byte{0xff, 0xda}); n > mostScans {
		return 0, flaw("has %d passes; at most %d are taken. Save it as a plain JPEG", n, mostScans)
	}
	h.Width, h.Height, h.Orientation = f.w, f.h, readOrientation(exif)
	var across, down int64 = 1, 1
	for i := 0; i+2 < len(f.parts); i += 3 {
		across, down = max(across, int64(f.parts[i+1]>>4)), max(down, int64(f.parts[i+1]&15))
	}
	samples := int64(0)
	for i := 0; i+2 < len(f.parts); i += 3 {
		partAcross, partDown := int64(f.parts[i+1]>>4), int64(f.parts[i+1]&15)
		if len(f.parts) == 3 { // the only one, whatever factors it has (A.2.2)
			across, down, partAcross, partDown = 1, 1, 1, 1
		}
		units := (int64(f.w) + 8*across - 1) / (8 * across) * ((int64(f.h) + 8*down - 1) / (8 * down))
		samples += 64 * units * partAcross * partDown
	}
	need := samples
	if f.progressive { // all coefficients stay until the last pass
		need += 4 * samples
	}
	if c.ColorModel == color.RGBAModel || c.ColorModel == color.CMYKModel { // are turned into one more picture
		need += 4*int64(f.w)*int64(f.h) + 4*int64(f.w)
	}
	return need, nil
}

// readFrame finds the frame header of a JPEG and its Exif data, if there are any,
// before the first pass. It goes from marker to marker just as image/jpeg does,
// so that what it has seen is what will be decoded.
func readFrame(data []byte) (f frame, exif []byte, ok bool) {
	at := 2
	next := func() (b byte) {
		if at < len(data) {
			b = data[at]
		}
		at++ // past the end is seen below
		return b
	}
	for at < len(data) {
		before, marker := next(), next()
		for before != 0xff && at < len(data) {
			before, marker = marker, next()
		}
		if marker == 0 {
			continue
		}
		for marker == 0xff && at < len(data) {
			marker = next()
		}
		if marker >= 0xd0 && marker <= 0xd7 { // a restart marker stands alone
			continue
		}
		if marker == 0xd9 || marker == 0xda || at+2 > len(data) {
			break
		}
		end := at + int(binary.BigEndian.Uint16(data[at:]))
		at += 2
		if end < at || end > len(data) {
			break
		}
		segment := data[at:end]
		at = end
		switch {
		case marker >= 0xc0 && marker <= 0xc2 && len(segment) >= 6 && !ok:
			f = frame{progressive: marker == 0xc2, h: int(binary.BigEndian.Uint16(segment[1:])), w: int(binary.BigEndian.Uint16(segment[3:])), parts: segment[6:]}
			ok = true
		case marker == 0xe1 && exif == nil && bytes.HasPrefix(segment, []byte("Exif\x00\x00")):
			exif = segment[6:]
		}
	}
	return f, exif, ok
}

// readPNG returns how many bytes decoding allocates.
func (h *Header) readPNG(data []byte) (int64, error) {
	c, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return 0, damaged(err)
	}
	h.Width, h.Height = c.Width, c.Height
	// The first chunk is IHDR, or DecodeConfig had refused it: depth, colour type
	// and interlacing stand at its end (PNG specification, third edition, 11.2.1).
	depth, colour, interlaced := data[24], data[25], data[28] != 0
	each := int64(4)
	switch {
	case depth == 16:
		each = 8
	case colour == 3:
		each = 1
	}
	need := each * int64(c.Width) * int64(c.Height)
	if interlaced { // each pass is a picture of its own, a full one together
		need *= 2
	}
	need += 64 * int64(c.Width) // rows under way
	h.Orientation = readOrientation(exifOfPNG(data))
	return need, nil
}

// exifOfPNG finds the eXIf chunk, which holds what Exif holds in a JPEG (PNG
// specification, third edition, 11.3.4.5).
func exifOfPNG(data []byte) []byte {
	for at := len(pngSignature); at+12 <= len(data); {
		length := int(binary.BigEndian.Uint32(data[at:]))
		name := string(data[at+4 : at+8])
		if length > len(data)-at-12 || name == "IEND" {
			return nil
		}
		if name == "eXIf" {
			return data[at+8 : at+8+length]
		}
		at += 12 + length
	}
	return nil
}
