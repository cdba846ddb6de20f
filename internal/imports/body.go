package imports

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"time"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/money"
	"pinwright/internal/problem"
	"pinwright/internal/sheet"
)

// Body is a row as the bodies that would make it: what the contract and the
// domain packages judge.
type Body struct {
	Row    int
	Thing  map[string]any
	Model  map[string]any  // of a tool's model, without its code; empty where the row says nothing of it
	Faults []problem.Fault // of cells that cannot be read; the pointers are of Thing, or of Model
	// OfModel are faults whose pointers are of Model.
	OfModel []problem.Fault
	// Beyond: a cell stands right of the last column.
	Beyond string
}

// Codes of what is assumed of cells.
const (
	AssumedComma = "assumed_decimal_comma"
	AssumedNoon  = "assumed_noon"
	AssumedZone  = "assumed_time_zone"
	AssumedUnit  = "assumed_unit"
)

// reader reads the cells of one sheet.
type reader struct {
	*Mapping
	currency string // the club's
	points   bool   // some number has a decimal point
	assumed  map[string]string
}

// Bodies makes the bodies of every row, and says what it assumed of the cells.
// currency is the club's; prices are read wrongly while it is not known, nothing else.
func (m *Mapping) Bodies(s *sheet.Sheet, currency string) ([]Body, []sheet.Assumption) {
	r := &reader{Mapping: m, currency: currency, assumed: map[string]string{}}
	for _, row := range s.Rows {
		for i, c := range m.Columns {
			if c.Field != nil && c.Field.numeric() && sheet.Points(row.Cells[i]) {
				r.points = true
			}
		}
	}
	bodies := make([]Body, len(s.Rows))
	for i, row := range s.Rows {
		bodies[i] = r.body(row)
	}
	var assumed []sheet.Assumption
	for _, code := range []string{AssumedComma, AssumedUnit, AssumedZone, AssumedNoon} {
		if text := r.assumed[code]; text != "" {
			assumed = append(assumed, sheet.Assumption{Code: code, Text: text})
		}
	}
	return bodies, assumed
}

func (f *Field) numeric() bool {
	return f.form == number || f.form == size || f.form == gauge || f.form == degrees || f.form == price
}

func (r *reader) body(row sheet.Row) Body {
	var entered map[string]string
	b := Body{Row: row.Number, Thing: map[string]any{}, Model: map[string]any{}, Beyond: row.Beyond}
	for i, c := range r.Columns {
		cell := row.Cells[i]
		if c.Field == nil || cell == "" {
			continue
		}
		value, mend := r.value(c, cell)
		if c.beside != nil {
			value, mend = r.halved(c, cell, row.Cells[*c.beside])
		}
		into, faults := b.Thing, &b.Faults
		if c.Field.Model {
			into, faults = b.Model, &b.OfModel
		}
		if mend != "" {
			*faults = append(*faults, problem.Fault{Pointer: c.Field.Pointer, Detail: mend})
			continue
		}
		if texts, ok := value.(map[string]string); ok {
			entered = texts
			continue
		}
		put(into, c.Field.Pointer, value)
	}
	r.respell(b.Thing, entered)
	return b
}

// halved makes the value of an amount and what stands in the column beside it. Of
// money the amount is in the smallest unit, as lists tell it.
func (r *reader) halved(c Column, amount, unit string) (any, string) {
	if c.Field.form == size {
		return r.size(c, amount+" "+unit)
	}
	n, mend := r.number(amount)
	return map[string]any{"minor": json.Number(n), "currency": unit}, mend
}

// respell puts lengths back as they were entered, where that is the same length.
func (r *reader) respell(object map[string]any, entered map[string]string) {
	for _, c := range r.Columns {
		if c.Field == nil || c.Field.form != size || entered[c.Field.Name] == "" {
			continue
		}
		text, _ := at(object, c.Field.Pointer).(string)
		given, err1 := length.Parse(text)
		was, err2 := length.Parse(entered[c.Field.Name])
		if err1 == nil && err2 == nil && given.Length() == was.Length() {
			put(object, c.Field.Pointer, was.String())
		}
	}
}

// at is the member that a pointer of plain names leads to, nil where it leads
// nowhere.
func at(object map[string]any, pointer string) any {
	var value any = object
	for name := range strings.SplitSeq(pointer[1:], "/") {
		inner, _ := value.(map[string]any)
		value = inner[name]
	}
	return value
}

// put sets the member that a pointer of plain names leads to.
func put(object map[string]any, pointer string, value any) {
	names := strings.Split(pointer[1:], "/")
	for _, name := range names[:len(names)-1] {
		inner, ok := object[name].(map[string]any)
		if !ok {
			inner = map[string]any{}
			object[name] = inner
		}
		object = inner
	}
	object[names[len(names)-1]] = value
}

var (
	between   = regexp.MustCompile(`[\s,;+/|]+`)
	notInWord = regexp.MustCompile(`[\s-]+`)
)

func asWord(text string) string {
	return notInWord.ReplaceAllString(strings.ToLower(strings.TrimSpace(text)), "_")
}

// value makes the value of a body of a cell, or says how to mend the cell. What
// it does not read it hands on as it stands, and the contract says how to mend it.
func (r *reader) value(c Column, cell string) (value any, mend string) {
	switch c.Field.form {
	case word:
		return asWord(cell), ""
	case capital:
		return strings.ToUpper(cell), ""
	case flag:
		switch sheet.Fold(cell) {
		case "yes", "y", "true", "1", "x":
			return true, ""
		case "no", "n", "false", "0":
			return false, ""
		}
		return nil, "write yes or no"
	case number:
		n, mend := r.number(cell)
		return json.Number(n), mend
	case size:
		return r.size(c, cell)
	case gauge:
		if number, _ := sheet.Amount(cell); number == "" {
			return cell, "" // a tool number
		}
		if _, rest := sheet.Amount(cell); rest != "" || c.Unit != "" || r.wish.Unit != "" {
			if q, mend := r.size(c, cell); mend == "" {
				return q, ""
			}
		}
		return cell, ""
	case degrees:
		return r.temperature(c, cell)
	case price:
		return r.money(c, cell)
	case words:
		var list []any
		for _, w := range between.Split(strings.TrimSpace(strings.ReplaceAll(strings.ToLower(cell), "tool keeper", "tool_keeper")), -1) {
			if w != "" {
				list = append(list, asWord(w))
			}
		}
		return list, ""
	case single:
		return []any{cell}, ""
	case moment:
		return r.moment(cell)
	case day:
		for _, form := range days {
			if t, err := time.Parse(form, cell); err == nil {
				return t.Format(time.DateOnly), ""
			}
		}
		return nil, "is no day that can be told: write 2026-05-01 or 1.5.2026; with slashes day and month could be mistaken"
	case parts:
		return partsOf(cell), ""
	case asEntered:
		texts := map[string]string{}
		if json.Unmarshal([]byte(cell), &texts) != nil {
			return nil, "is not what a list of tool models gives out; leave the column out with ignore"
		}
		return texts, ""
	}
	return cell, ""
}

// partsOf reads the contents of a kit: tool numbers, and the codes of models with
// “any” before them.
func partsOf(cell string) []any {
	var list []any
	for _, text := range strings.FieldsFunc(cell, func(c rune) bool { return strings.ContainsRune("|,;\n\r", c) }) {
		switch words := strings.Fields(text); {
		case len(words) == 2 && strings.EqualFold(words[0], "any"):
			list = append(list, map[string]any{"tool_model": words[1]})
		case len(words) > 0:
			list = append(list, map[string]any{"tool": strings.TrimSpace(text)})
		}
	}
	return list
}

func (r *reader) number(text string) (string, string) {
	n, comma, err := sheet.Number(text, r.points)
	if err != nil {
		return "", err.Error()
	}
	if comma {
		r.assumed[AssumedComma] = "A comma in a number is a decimal comma."
	}
	// As JSON writes numbers (RFC 8259, 6): no plus, one digit at least before the
	// point, and no zero before other digits.
	n = strings.TrimPrefix(n, "+")
	n, negative := strings.CutPrefix(n, "-")
	for len(n) > 1 && n[0] == '0' && n[1] >= '0' && n[1] <= '9' {
		n = n[1:]
	}
	if n == "" || n[0] == '.' {
		n = "0" + n
	}
	if negative {
		n = "-" + n
	}
	if !json.Valid([]byte(n)) {
		return "", "is no number such as 9.12"
	}
	return n, ""
}

// size reads a length; its unit stands in the cell, in the column's name, or in
// the request, and is never guessed, because a caliper may show inches.
func (r *reader) size(c Column, cell string) (any, string) {
	number, unit := sheet.Amount(cell)
	n, mend := r.number(number)
	if mend != "" {
		return nil, mend
	}
	if unit != "" {
		known, err := length.ParseUnit(unit)
		if err != nil {
			return nil, "has no known unit; use mm, um, in or thou"
		}
		if of, err := length.ParseUnit(c.Unit); err == nil && of != known {
			return nil, fmt.Sprintf("says %s in a column that says %s; make them agree", known, of)
		}
		return n + " " + string(known), ""
	}
	if of, err := length.ParseUnit(c.Unit); err == nil {
		return n + " " + string(of), ""
	}
	if r.wish.Unit == "" {
		return nil, fmt.Sprintf(`has no unit; write it in the cell, as "%s (mm)" in the column's name, or send unit=mm with the request`, c.Field.Name)
	}
	r.assumed[AssumedUnit] = "Lengths without a unit are in " + r.wish.Unit + ", as the request says."
	return n + " " + r.wish.Unit, ""
}

func (r *reader) temperature(c Column, cell string) (any, string) {
	number, unit := sheet.Amount(cell)
	n, mend := r.number(number)
	if mend != "" {
		return nil, mend
	}
	of := temperatureUnit(c.Unit)
	switch known := temperatureUnit(unit); {
	case unit != "" && known == "":
		return nil, "has no known unit; use °C or °F"
	case known != "" && of != "" && of != known:
		return nil, "says another unit than the column; make them agree"
	case known != "":
		of = known
	case of == "":
		return nil, `has no unit; write it in the cell, or as "temperature (°C)" in the column's name`
	}
	return map[string]any{"value": json.Number(n), "unit": of}, ""
}

// money reads an amount in whole units of the currency with its decimals.
func (r *reader) money(c Column, cell string) (any, string) {
	currency := r.currency
	if isCurrency(c.Unit) {
		currency = c.Unit
	}
	if code, rest, ok := strings.Cut(cell, " "); ok && isCurrency(code) {
		cell = rest + " " + code
	}
	number, unit := sheet.Amount(cell)
	if unit != "" {
		if !isCurrency(unit) {
			return nil, fmt.Sprintf("has no known currency; write an amount such as 2.50, or 2.50 %s", r.currency)
		}
		currency = unit
	}
	n, mend := r.number(number)
	if mend != "" {
		return nil, mend
	}
	places := money.Currency(currency).Decimals()
	whole, fraction, _ := strings.Cut(n, ".")
	switch {
	case strings.ContainsAny(n, "-e"):
		return nil, "must be an amount of zero or more, such as 2.50"
	case len(fraction) > places:
		return nil, fmt.Sprintf("has more decimals than %s has (%d)", currency, places)
	}
	minor := strings.TrimLeft(whole+fraction+strings.Repeat("0", places-len(fraction)), "0")
	if minor == "" {
		minor = "0"
	}
	return map[string]any{"minor": json.Number(minor), "currency": currency}, ""
}

// days are the ways in which a day is written so that it can be one day only;
// a day with slashes is the third of February to some and the second of March to others.
var days = []string{"2006-01-02", "2.1.2006"}

func (r *reader) moment(cell string) (any, string) {
	if t, err := time.Parse(time.RFC3339, cell); err == nil {
		return t.Format(time.RFC3339Nano), ""
	}
	zone := r.wish.Zone
	said := func(t time.Time) (any, string) {
		r.assumed[AssumedZone] = "Times without an offset are in " + zone.String() + "; say another zone with time_zone."
		return t.Format(time.RFC3339), ""
	}
	for _, day := range days {
		for _, clock := range []string{" 15:04", " 15:04:05", "T15:04", "T15:04:05"} {
			if t, err := time.ParseInLocation(day+clock, cell, zone); err == nil {
				return said(t)
			}
		}
		if t, err := time.ParseInLocation(day, cell, zone); err == nil {
			r.assumed[AssumedNoon] = "A day without a time is noon."
			return said(time.Date(t.Year(), t.Month(), t.Day(), 12, 0, 0, 0, zone))
		}
	}
	return nil, "is no day that can be told: write 2026-05-01, 2026-05-01 18:30, 2026-05-01T18:30:00+02:00 or 1.5.2026; with slashes day and month could be mistaken"
}
