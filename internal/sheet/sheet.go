// Package sheet reads a table that somebody kept in a spreadsheet and saved as
// CSV (RFC 4180), as spreadsheets of many makes and countries write it: with
// commas, semicolons or tabs between the cells, in UTF-8 or Windows-1252, with
// points or commas in the numbers. What it had to recognise it says.
//
// # Vocabulary
//
// A Sheet is a header and the rows below it. A row's Number is the one that a
// spreadsheet shows beside it: the header is mostly row 1, blank rows count, and
// a cell of several lines stays in one row.
//
// # Text stays text
//
// A cell that looks like a formula is text like any other; nothing is ever
// worked out. The CSV that this service writes puts an apostrophe before such a
// cell, so that no spreadsheet works it out either; here exactly that apostrophe
// is taken off again, and what was sent out comes in as it was.
//
// The package is pure: it knows nothing of what the columns mean.
package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// Bounds of a sheet.
const (
	MostRows    = 2000 // below the header
	MostColumns = 60
	MostCell    = 2000 // characters
	MostName    = 300  // characters of a column's name
)

// Sheet is a header and the rows below it.
type Sheet struct {
	Header    []string
	HeaderRow int // its number
	Rows      []Row
	// Assumed are codes of what was recognised and might be wrong, and why.
	Assumed []Assumption
}

// Row is the cells of one row, as many as the header has.
type Row struct {
	Number int
	Cells  []string
	// Beyond is the first cell that stands right of the last column; mostly a comma
	// too many, or a cell that should have been quoted.
	Beyond string
}

// Assumption is something that was recognised rather than told.
type Assumption struct{ Code, Text string }

// Codes of assumptions.
const (
	AssumedSeparator = "assumed_separator"
	AssumedEncoding  = "assumed_encoding"
	AssumedLines     = "assumed_line_ends"
)

// Error says why a sheet cannot be read and how to mend it. Row is 0 where it is
// not about one.
type Error struct {
	Row    int
	Detail string
	// TooMany: there are more rows or columns than are taken.
	TooMany bool
}

func (e *Error) Error() string {
	if e.Row == 0 {
		return e.Detail
	}
	return fmt.Sprintf("row %d: %s", e.Row, e.Detail)
}

func refuse(row int, format string, args ...any) error {
	return &Error{Row: row, Detail: fmt.Sprintf(format, args...)}
}

var separators = []struct {
	mark rune
	name string
}{{',', "comma"}, {';', "semicolon"}, {'\t', "tab"}}

// Read reads a sheet. Errors are of type *Error.
func Read(body []byte) (*Sheet, error) {
	s := &Sheet{}
	text, err := s.decode(body)
	if err != nil {
		return nil, err
	}
	at, name := separatorOf(text)
	if name != "comma" {
		s.Assumed = append(s.Assumed, Assumption{AssumedSeparator, "Cells are separated by a " + name + "."})
	}
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord, r.ReuseRecord = at, -1, true
	row, lines, read := 0, 1, 0 // lines: where the next record begins; read: the bytes behind us
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, broken(row+1, err)
		}
		line, _ := r.FieldPos(0)
		row += 1 + line - lines // the reader steps over blank lines, a spreadsheet does not
		lines += strings.Count(text[read:r.InputOffset()], "\n")
		read = int(r.InputOffset())
		if err := s.take(row, cells); err != nil {
			return nil, err
		}
	}
	switch {
	case s.Header == nil:
		return nil, refuse(0, "there is no header; the first row names the columns")
	case len(s.Rows) == 0:
		return nil, refuse(s.HeaderRow, "there is no row below the header; the first row names the columns, each further row is one thing")
	}
	return s, nil
}

// take adds a row that is not blank; the first is the header.
func (s *Sheet) take(row int, cells []string) error {
	out := make([]string, len(cells))
	filled := 0
	for i, c := range cells {
		out[i] = cell(c)
		if utf8.RuneCountInString(out[i]) > MostCell {
			return refuse(row, "the cell in column %d has more than %d characters", i+1, MostCell)
		}
		if out[i] != "" {
			filled = i + 1
		}
	}
	out = out[:filled]
	switch {
	case filled == 0:
		return nil
	case s.Header == nil:
		if filled > MostColumns {
			return &Error{Row: row, TooMany: true, Detail: fmt.Sprintf("there are %d columns, at most %d are taken", filled, MostColumns)}
		}
		for i, name := range out {
			if utf8.RuneCountInString(name) > MostName {
				return refuse(row, "the name of column %d has more than %d characters", i+1, MostName)
			}
		}
		s.Header, s.HeaderRow = out, row
		return nil
	case len(s.Rows) == MostRows:
		return &Error{Row: row, TooMany: true, Detail: fmt.Sprintf("there are more than %d rows; split the sheet", MostRows)}
	}
	r := Row{Number: row, Cells: make([]string, len(s.Header))}
	for i, c := range out {
		if i < len(r.Cells) {
			r.Cells[i] = c
		} else if r.Beyond == "" {
			r.Beyond = c
		}
	}
	s.Rows = append(s.Rows, r)
	return nil
}

// cell is what was meant by a cell: without the space around it, and without the
// apostrophe that this service puts before what looks like a formula. A text that had
// apostrophes before its sign got one more.
func cell(text string) string {
	if rest := strings.TrimLeft(text, "'"); rest != text && strings.IndexAny(rest, "=+-@\t\r\n＝＋－＠") == 0 {
		return text[1:]
	}
	return strings.TrimSpace(text)
}

// decode makes UTF-8 with line feeds of a body.
func (s *Sheet) decode(body []byte) (string, error) {
	switch {
	case bytes.HasPrefix(body, []byte{0xFF, 0xFE}), bytes.HasPrefix(body, []byte{0xFE, 0xFF}):
		return "", refuse(0, "this is UTF-16; save the sheet as CSV in UTF-8")
	case bytes.HasPrefix(body, []byte("PK\x03\x04")):
		return "", refuse(0, "this is a workbook or another archive; save the sheet as CSV")
	}
	if i := bytes.IndexByte(body, 0); i >= 0 {
		return "", refuse(0, "the byte at position %d is NUL; save the sheet as CSV in UTF-8", i)
	}
	body = bytes.TrimPrefix(body, []byte("\xEF\xBB\xBF"))
	if !utf8.Valid(body) {
		text, err := charmap.Windows1252.NewDecoder().Bytes(body)
		unassigned := func(r rune) bool { return r == utf8.RuneError || r >= 0x80 && r < 0xA0 }
		if err != nil || bytes.ContainsFunc(text, unassigned) {
			return "", refuse(0, "the text is neither UTF-8 nor Windows-1252; save the sheet as CSV in UTF-8")
		}
		body = text
		s.Assumed = append(s.Assumed, Assumption{AssumedEncoding, "The text is in Windows-1252, since it is no UTF-8; look at the accents in the report."})
	}
	if bytes.IndexByte(body, '\n') < 0 && bytes.IndexByte(body, '\r') >= 0 {
		body = bytes.ReplaceAll(body, []byte("\r"), []byte("\n"))
		s.Assumed = append(s.Assumed, Assumption{AssumedLines, "Rows end in carriage returns only."})
	}
	return string(body), nil
}

// separatorOf is the mark that cuts the first row that is not blank into most
// cells; of equals the first.
func separatorOf(text string) (rune, string) {
	best := separators[0]
	most := 0
	for _, s := range separators {
		r := csv.NewReader(strings.NewReader(text))
		r.Comma, r.FieldsPerRecord, r.LazyQuotes = s.mark, -1, true
		cells, err := r.Read()
		if err == nil && len(cells) > most {
			best, most = s, len(cells)
		}
	}
	return best.mark, best.name
}

// broken says in our words what the reader found.
func broken(row int, err error) error {
	switch {
	case errors.Is(err, csv.ErrQuote):
		return refuse(row, `a quoted cell does not end: close it with ", and write a quote inside it as ""`)
	case errors.Is(err, csv.ErrBareQuote):
		return refuse(row, `a quote stands in a cell that is not quoted: put the whole cell in quotes, and write a quote inside it as ""`)
	}
	return refuse(row, "cannot be read as CSV (RFC 4180)")
}
