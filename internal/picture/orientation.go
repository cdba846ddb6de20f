package picture

import "encoding/binary"

// orientation says at which side of what is shown the first row and the first
// column of what is stored stand: the values of Exif's tag of that name (JEITA
// CP-3451C, Exif 2.3, tag 0x0112).
type orientation int

const upright orientation = 1

const orientationTag = 0x0112

// turned reports whether rows are shown as columns.
func (o orientation) turned() bool { return o >= 5 }

// readOrientation finds the orientation in Exif data, a TIFF structure; upright
// where none is told or it is not to be read.
func readOrientation(exif []byte) orientation {
	if len(exif) < 8 {
		return upright
	}
	var order binary.ByteOrder
	switch string(exif[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return upright
	}
	directory := uint64(order.Uint32(exif[4:]))
	if directory+2 > uint64(len(exif)) {
		return upright
	}
	entries := exif[directory+2:]
	for range order.Uint16(exif[directory:]) {
		if len(entries) < 12 {
			return upright
		}
		// A SHORT stands at the left of the four bytes of the value.
		if order.Uint16(entries) == orientationTag {
			const short = 3
			o := orientation(order.Uint16(entries[8:]))
			if order.Uint16(entries[2:]) != short || order.Uint32(entries[4:]) != 1 || o < 1 || o > 8 {
				return upright
			}
			return o
		}
		entries = entries[12:]
	}
	return upright
}

// layout says where the samples of a picture go: the sample stored at column x
// of row y at place first + x*column + y*row.
type layout struct{ first, column, row int }

// layoutFor is where a picture of w × h samples as stored goes, to be shown
// upright in rows of stride bytes, each sample taking step bytes.
func (o orientation) layoutFor(w, h, step, stride int) layout {
	// First row at the top, first column at the left; then each is mirrored as the
	// table has it.
	rowMirrored := o == 3 || o == 4 || o == 6 || o == 7
	columnMirrored := o == 2 || o == 3 || o == 7 || o == 8
	l := layout{column: step, row: stride}
	if o.turned() {
		l = layout{column: stride, row: step}
	}
	if rowMirrored {
		l.first += (h - 1) * l.row
		l.row = -l.row
	}
	if columnMirrored {
		l.first += (w - 1) * l.column
		l.column = -l.column
	}
	return l
}
