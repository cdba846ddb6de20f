package sheet_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/sheet"
)

func read(t *testing.T, text string) *sheet.Sheet {
	t.Helper()
	s, err := sheet.Read([]byte(text))
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return s
}

func cells(s *sheet.Sheet) [][]string {
	out := [][]string{s.Header}
	for _, r := range s.Rows {
		out = append(out, r.Cells)
	}
	return out
}

// The definition of the CSV format in RFC 4180, section 2, with its own
// examples; CRLF is written out here. The first row is the header to us (2.3).
func TestExamplesOfRFC4180(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		rule, text string
		want       [][]string
	}{
		{"2.1 each record on a line of its own", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2.2 the last record may have no line break", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2.3 a header", "field_name,field_name2,field_name3\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][]string{{"field_name", "field_name2", "field_name3"}, {"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2.5 quotes or none", "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2.6 line breaks in quotes", "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "b\nbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"2.7 a quote is written twice", "\"aaa\",\"b\"\"bb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", `b"bb`, "ccc"}, {"zzz", "yyy", "xxx"}}},
	} {
		if diff := cmp.Diff(tc.want, cells(read(t, tc.text))); diff != "" {
			t.Errorf("%s (-RFC +read):\n%s", tc.rule, diff)
		}
	}
}

func TestWhatWasRecognisedIsSaid(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, text string
		cell       string // the last of the first row
		assumed    string
	}{
		{"commas, UTF-8", "a,b\n1,é\n", "é", ""},
		{"with a byte order mark", "\xEF\xBB\xBFa,b\n1,é\n", "é", ""},
		{"semicolons, the decimals have commas", "a;b\n1,5;2,5\n", "2,5", "assumed_separator"},
		{"tabs", "a\tb\n1\tx, y\n", "x, y", "assumed_separator"},
		{"a quoted header hides its separators", "\"a;b;c\",d\n1,2\n", "2", ""},
		// 0x80 is the euro sign and 0xE9 is é in Windows-1252 (the WHATWG Encoding Standard's index, as IANA's table has them).
		{"Windows-1252", "a,b\n1,caf\xE9 \x80\n", "café €", "assumed_encoding"},
		{"carriage returns only", "a,b\r1,2\r", "2", "assumed_line_ends"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := read(t, tc.text)
			codes := ""
			for _, a := range s.Assumed {
				codes += a.Code
			}
			if got := s.Rows[0].Cells[len(s.Header)-1]; len(s.Header) != 2 || got != tc.cell || codes != tc.assumed {
				t.Errorf("header %q, cell %q, assumed %q; want %q, %q", s.Header, got, codes, tc.cell, tc.assumed)
			}
		})
	}
}

// A row has the number that a spreadsheet shows beside it.
func TestRowsAreNumberedAsASpreadsheetNumbersThem(t *testing.T) {
	t.Parallel()
	s := read(t, "\na,b\n1,\"two\nlines\"\n\n\n3,4\n,\n5\n6,7,8,,\n")
	var numbers []int
	for _, r := range s.Rows {
		numbers = append(numbers, r.Number)
	}
	// 1 blank, 2 header, 3 of two lines, 4 and 5 blank, 6, 7 blank cells, 8, 9.
	if diff := cmp.Diff([]int{3, 6, 8, 9}, numbers); diff != "" || s.HeaderRow != 2 {
		t.Errorf("header in row %d, rows:\n%s", s.HeaderRow, diff)
	}
	if last := s.Rows[3]; last.Beyond != "8" || s.Rows[2].Beyond != "" {
		t.Errorf("beyond the last column: %q", last.Beyond)
	}
	if diff := cmp.Diff([]string{"5", ""}, s.Rows[2].Cells); diff != "" {
		t.Errorf("a short row:\n%s", diff)
	}
}

func TestExactlyTheApostropheOfAnExportIsTakenOff(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{"'=1": "=1", "'+1": "+1", "'-1": "-1", "'@a": "@a", "'\ta": "\ta", "'\na": "\na", "'＝1": "＝1", "''=1": "'=1", "'" + "''@a": "''@a", "''a": "''a", "'a": "'a", "'": "'", "=1": "=1", " x ": "x", "' =1": "' =1"} {
		if got := read(t, "a,b\n\""+in+"\",1\n").Rows[0].Cells[0]; got != want {
			t.Errorf("%q came in as %q, want %q", in, got, want)
		}
	}
}

func TestWhatCannotBeReadIsRefusedWithItsRow(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, text string
		row        int
		says       string
		tooMany    bool
	}{
		{"nothing", "", 0, "no header", false},
		{"blank lines", "\n\n", 0, "no header", false},
		{"a header only", "a,b\n", 1, "no row below", false},
		{"a quote left open", "a,b\n1,\"2\n3,4\n", 2, "does not end", false},
		{"a quote in an open cell", "a,b\n1,5\" drift\n", 2, "a quote stands in a cell", false},
		{"text behind a quoted cell", "a,b\n1,\"x\"y\n", 2, "quote", false},
		{"NUL", "a,b\n1,\x00\n", 0, "NUL", false},
		{"UTF-16", "\xFF\xFEa\x00", 0, "UTF-16", false},
		{"a workbook", "PK\x03\x04aaaa", 0, "workbook", false},
		{"neither UTF-8 nor Windows-1252", "a,b\n1,\x81\n", 0, "neither", false},
		{"too many columns", strings.Repeat("a,", sheet.MostColumns) + "a\n1\n", 1, "at most", true},
		{"too many rows", "a\n" + strings.Repeat("1\n", sheet.MostRows+1), sheet.MostRows + 2, "split the sheet", true},
		{"a name too long", strings.Repeat("ä", sheet.MostName+1) + "\n1\n", 1, "characters", false},
		{"a cell too long", "a\n" + strings.Repeat("ä", sheet.MostCell+1) + "\n", 2, "characters", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := sheet.Read([]byte(tc.text))
			var fault *sheet.Error
			if !errors.As(err, &fault) || fault.Row != tc.row || !strings.Contains(fault.Detail, tc.says) || fault.TooMany != tc.tooMany {
				t.Errorf("%v, want row %d with %q", err, tc.row, tc.says)
			}
		})
	}
	read(t, "a\n"+strings.Repeat("1\n", sheet.MostRows))
}

func TestNumbersHaveOneDecimalSign(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		text   string
		points bool
		want   string
		comma  bool
		err    error
	}{
		{"9.12", false, "9.12", false, nil},
		{"9,12", false, "9.12", true, nil},
		{"9,120", false, "9.120", true, nil},
		{"−0,5", false, "-0.5", true, nil}, // U+2212
		{"1,234", true, "", false, sheet.ErrAmbiguous},
		{"0,318", true, "0.318", true, nil}, // nobody writes thousands with a zero before them
		{"1,2345", true, "1.2345", true, nil},
		{"1.234,5", false, "", false, sheet.ErrTwoMarks},
		{"1,234.5", true, "", false, sheet.ErrTwoMarks},
		{"1,2,3", false, "", false, sheet.ErrNumber},
		{"", false, "", false, sheet.ErrNumber},
		{"nine", false, "", false, sheet.ErrNumber},
		{"9.", false, "", false, sheet.ErrNumber},
		{".5", false, ".5", false, nil},
		{"1e-3", false, "1e-3", false, nil},
	} {
		got, comma, err := sheet.Number(tc.text, tc.points)
		if got != tc.want || comma != tc.comma || !errors.Is(err, tc.err) {
			t.Errorf("Number(%q, %v) = %q, %v, %v; want %q, %v, %v", tc.text, tc.points, got, comma, err, tc.want, tc.comma, tc.err)
		}
	}
}

func TestNamesAreFolded(t *testing.T) {
	t.Parallel()
	for _, pair := range [][2]string{{"Member No.", "member_no"}, {"Größe", "GROSSE"}, {"Diamètre", "diametre"}, {"Ø", "o"}, {"Łódź", "lodz"}, {"taken at", "TakenAt"}, {"№ 1", "No 1"}} {
		if sheet.Fold(pair[0]) != sheet.Fold(pair[1]) {
			t.Errorf("%q folds to %q, %q to %q", pair[0], sheet.Fold(pair[0]), pair[1], sheet.Fold(pair[1]))
		}
	}
	isUnit := func(text string) bool { return text == "mm" || text == "°C" }
	for name, want := range map[string][2]string{"size (mm)": {"size", "mm"}, "size [mm]": {"size", "mm"}, "size_mm": {"size", "mm"}, "size mm": {"size", "mm"}, "temp (°C)": {"temp", "°C"},
		"size (old)": {"size (old)", ""}, "mm": {"mm", ""}, "(mm)": {"(mm)", ""}} {
		if rest, unit := sheet.Unit(name, isUnit); rest != want[0] || unit != want[1] {
			t.Errorf("%q is %q in %q, want %q", name, rest, unit, want)
		}
	}
}

// Whatever comes: no panic, every row as wide as the header, numbers that
// grow, bounds kept, and the same again from the same bytes.
func FuzzRead(f *testing.F) {
	for _, text := range []string{"a,b\r\n1,\"x\"\"y\"\r\n", "a;b\n1,5;2\n", "\xEF\xBB\xBFa\tb\n\n'=1\t\n", "a\r1\r", "caf\xE9\n\x80\n", "\"a\n\n", "\n\n,,\na\n1,2,3", "a,b\n\"1\n\n2\",3\n\n4,5"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		s, err := sheet.Read(body)
		if err != nil {
			var fault *sheet.Error
			if !errors.As(err, &fault) || fault.Detail == "" || s != nil {
				t.Fatalf("%v with %v", err, s)
			}
			return
		}
		again, err := sheet.Read(body)
		if diff := cmp.Diff(s, again); diff != "" || err != nil {
			t.Fatalf("read twice: %v\n%s", err, diff)
		}
		if len(s.Header) == 0 || len(s.Header) > sheet.MostColumns || len(s.Rows) == 0 || len(s.Rows) > sheet.MostRows || s.HeaderRow < 1 {
			t.Fatalf("bounds: %d columns, %d rows, header in %d", len(s.Header), len(s.Rows), s.HeaderRow)
		}
		last := s.HeaderRow
		for _, r := range s.Rows {
			if r.Number <= last || len(r.Cells) != len(s.Header) {
				t.Fatalf("row %d behind %d has %d cells under %d columns", r.Number, last, len(r.Cells), len(s.Header))
			}
			last = r.Number
		}
		if most := strings.Count(strings.ReplaceAll(string(body), "\r", "\n"), "\n") + 1; last > most {
			t.Fatalf("row %d of at most %d lines", last, most)
		}
	})
}
