package bank

import (
	"crypto/sha256"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"pinwright/internal/calc/money"
	"pinwright/internal/problem"
	"pinwright/internal/sheet"
)

// Fields of a movement.
const (
	date      = "date"
	amount    = "amount"
	paidIn    = "paid_in"
	paidOut   = "paid_out"
	reference = "reference"
	name      = "name"
	currency  = "currency"
)

var fields = []string{date, amount, paidIn, paidOut, reference, name, currency}

// Columns says which columns of a sheet tell which field.
type Columns struct {
	at    map[string][]int
	Names map[string]string // by field, of the first such column
}

// Map finds the columns of a sheet: those that said names, as column=field, then those
// that are called like a field; case, spaces and marks do not count. Several columns may
// be the reference, which banks like to cut in pieces.
func Map(s *sheet.Sheet, said []string) (Columns, []problem.Fault) {
	k := Columns{at: map[string][]int{}, Names: map[string]string{}}
	var faults []problem.Fault
	taken := map[int]bool{}
	take := func(field string, i int) {
		k.at[field], taken[i] = append(k.at[field], i), true
		if k.Names[field] == "" {
			k.Names[field] = s.Header[i]
		}
	}
	for _, pair := range said {
		i := strings.LastIndex(pair, "=")
		column, field := pair[:max(i, 0)], pair[i+1:]
		found := slices.IndexFunc(s.Header, func(h string) bool { return h == column })
		switch {
		case i < 1 || !slices.Contains(fields, field):
			faults = append(faults, problem.Fault{Pointer: "?map", Detail: fmt.Sprintf("%q is not of the form column=field, with a field of %s", pair, strings.Join(fields, ", "))})
		case found < 0:
			faults = append(faults, problem.Fault{Pointer: "?map", Detail: fmt.Sprintf("there is no column %q in the file; its columns are %s", column, strings.Join(s.Header, ", "))})
		default:
			take(field, found)
		}
	}
	named := map[string]bool{}
	for field := range k.at {
		named[field] = true
	}
	for i, h := range s.Header {
		for _, field := range fields {
			if !taken[i] && !named[field] && sheet.Fold(h) == sheet.Fold(field) {
				take(field, i)
			}
		}
	}
	at := fmt.Sprintf("#row=%d", s.HeaderRow) // RFC 7111, 2.1
	wrong := func(detail string) {
		faults = append(faults, problem.Fault{Pointer: at, Detail: detail + ". The columns are " + strings.Join(s.Header, ", ")})
	}
	for _, field := range fields {
		if len(k.at[field]) > 1 && field != reference {
			wrong("several columns would be the " + field + "; say which is with map=column=" + field)
		}
	}
	if len(k.at[date]) == 0 {
		wrong("no column is the date; name it so, or say which it is with map=column=date")
	}
	if one, two := len(k.at[amount]) > 0, len(k.at[paidIn])+len(k.at[paidOut]) > 0; one == two {
		wrong("say what moved either in a column amount, below nothing for what went out, or in columns paid_in and paid_out; map=column=amount says which it is")
	}
	return k, faults
}

// Written is how a file writes its numbers and days.
type Written struct {
	Comma    bool   // decimal comma; else decimal point
	Days     string // the order of a day: ymd, dmy or mdy
	Currency string // the club's
	Today    time.Time
}

// Movement is what a bank tells of one movement of money.
type Movement struct {
	Row       int // as a spreadsheet numbers it
	On        time.Time
	Minor     int64 // above 0: came in
	Reference string
	Name      string
	Digest    []byte
	Faults    []Fault
}

// Fault is what is wrong with a cell, or, without a column, with a row.
type Fault struct{ Column, Detail string }

// Read reads the movements of a sheet.
func (k Columns) Read(s *sheet.Sheet, w Written) []Movement {
	out := make([]Movement, 0, len(s.Rows))
	times := map[string]int{}
	for _, row := range s.Rows {
		m := k.movement(row, w)
		tells := fmt.Sprintf("%s\x00%d\x00%s\x00%s\x00%s", m.On.Format(time.DateOnly), m.Minor, w.Currency, m.Reference, m.Name)
		times[tells]++
		digest := sha256.Sum256(fmt.Appendf(nil, "%s\x00%d", tells, times[tells]))
		m.Digest = digest[:]
		out = append(out, m)
	}
	return out
}

func (k Columns) cell(row sheet.Row, field string) string {
	var parts []string
	for _, i := range k.at[field] {
		if text := strings.Join(strings.Fields(row.Cells[i]), " "); text != "" {
			parts = append(parts, text)
		}
	}
	return strings.Join(parts, " ")
}

// The longest texts that are kept, as the table says.
const (
	longestReference = 500
	longestName      = 200
)

func (k Columns) movement(row sheet.Row, w Written) Movement {
	m := Movement{Row: row.Number, Reference: k.cell(row, reference), Name: k.cell(row, name)}
	wrong := func(field, detail string) {
		m.Faults = append(m.Faults, Fault{k.Names[field], detail})
	}
	if row.Beyond != "" {
		m.Faults = append(m.Faults, Fault{Detail: "has a cell right of the last column; put cells that contain the separator in quotes, or give the column a name"})
	}
	on, err := w.day(k.cell(row, date))
	if err != nil {
		wrong(date, err.Error())
	} else if on.After(w.Today.AddDate(0, 0, 1)) {
		wrong(date, "is still to come; send what has happened")
	}
	m.On = on
	if len([]rune(m.Reference)) > longestReference {
		wrong(reference, fmt.Sprintf("has more than %d characters", longestReference))
	}
	if len([]rune(m.Name)) > longestName {
		wrong(name, fmt.Sprintf("has more than %d characters", longestName))
	}
	if c := k.cell(row, currency); c != "" && c != w.Currency {
		wrong(currency, fmt.Sprintf("is %s, and this club reckons in %s; leave the row out", c, w.Currency))
	}
	read := func(field string) int64 {
		text := k.cell(row, field)
		if text == "" {
			return 0
		}
		minor, err := w.amount(text)
		if err != nil {
			wrong(field, err.Error())
		}
		return minor
	}
	if len(k.at[amount]) > 0 {
		m.Minor = read(amount)
	} else {
		in, out := read(paidIn), read(paidOut)
		switch {
		case in != 0 && out != 0:
			wrong(paidIn, "tells what came in and what went out in one row; one of them is empty or nothing")
		case out > 0: // most banks write what went out without a sign in a column of its own
			m.Minor = -out
		case out < 0:
			m.Minor = out
		case in < 0:
			wrong(paidIn, "is below nothing in a column of what came in")
		default:
			m.Minor = in
		}
	}
	if m.Minor == 0 && len(m.Faults) == 0 {
		m.Faults = append(m.Faults, Fault{Detail: "moves nothing; leave the row out"})
	}
	return m
}

var (
	numerals = regexp.MustCompile(`^[0-9]{1,12}$`)
	grouped  = regexp.MustCompile(`^[0-9]{1,3}(\|[0-9]{3}){1,3}$`)
)

// mostMinor is the largest amount that the books take at once.
const mostMinor = 100_000_000_000

// amount reads an amount as the file writes it: a sign before or behind, digits with or
// without marks between thousands, the decimal mark that was told.
func (w Written) amount(text string) (int64, error) {
	decimal, thousands := ".", ","
	if w.Comma {
		decimal, thousands = ",", "."
	}
	told := "with decimal=point"
	if w.Comma {
		told = "with decimal=comma"
	}
	bad := fmt.Errorf("%q is no amount %s; write it like 1234%s50, below nothing with a minus", text, told, decimal)
	rest := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(strings.TrimPrefix(text, w.Currency)), w.Currency))
	rest = strings.ReplaceAll(rest, "\u2212", "-")
	negative := false
	switch {
	case strings.HasPrefix(rest, "-"):
		rest, negative = rest[1:], true
	case strings.HasSuffix(rest, "-"):
		rest, negative = rest[:len(rest)-1], true
	case strings.HasPrefix(rest, "+"):
		rest = rest[1:]
	}
	whole, fraction, broken := strings.Cut(strings.TrimSpace(rest), decimal)
	places := money.Currency(w.Currency).Decimals()
	if broken && (len(fraction) == 0 || len(fraction) > places || !numerals.MatchString(fraction)) {
		return 0, bad
	}
	plain := whole
	for _, mark := range []string{thousands, " ", "\u00a0", "\u202f", "'", "\u2019"} {
		if strings.Contains(whole, mark) {
			between := strings.ReplaceAll(whole, mark, "|")
			if !grouped.MatchString(between) {
				return 0, bad
			}
			plain = strings.ReplaceAll(between, "|", "")
			break
		}
	}
	if !numerals.MatchString(plain) {
		return 0, bad
	}
	minor := int64(0)
	for _, digit := range plain + fraction + strings.Repeat("0", places-len(fraction)) {
		minor = minor*10 + int64(digit-'0')
		if minor > mostMinor {
			return 0, fmt.Errorf("%q is more than the books take at once", text)
		}
	}
	if negative {
		minor = -minor
	}
	return minor, nil
}

// orders are how each order of days is written.
var orders = map[string][]string{
	"ymd": {"2006-1-2", "2006/1/2", "2006.1.2", "20060102"},
	"dmy": {"2.1.2006", "2/1/2006", "2-1-2006", "2.1.06", "2/1/06", "2-1-06"},
	"mdy": {"1/2/2006", "1-2-2006", "1.2.2006", "1/2/06", "1-2-06", "1.2.06"},
}

// day reads a day in the order that was told; years of two digits are of this century.
func (w Written) day(text string) (time.Time, error) {
	for _, form := range orders[w.Days] {
		t, err := time.Parse(form, text)
		if err != nil {
			continue
		}
		if strings.HasSuffix(form, "06") && !strings.HasSuffix(form, "2006") {
			t = time.Date(2000+t.Year()%100, t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
		}
		if t.Year() >= 1950 && t.Year() < 2200 {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no day with dates=%s; write days in that order, such as %s, or send the order that the file has", text, w.Days, map[string]string{"ymd": "2026-05-31", "dmy": "31.5.2026", "mdy": "5/31/2026"}[w.Days])
}
