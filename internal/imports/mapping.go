package imports

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/money"
	"pinwright/internal/problem"
	"pinwright/internal/sheet"
)

// How a column found its field.
const (
	ByMap     = "map"     // the request says so
	ByName    = "name"    // it is called like the field
	BySynonym = "synonym" // it is called like people call the field
	Ignored   = "ignored" // the request says that it does not count
	NotTaken  = "not_taken"
)

// Column is what became of a column of a sheet.
type Column struct {
	Name  string // as it stands in the sheet
	Field *Field // nil: its cells count for nothing
	Unit  string // from its name
	How   string

	folded string
	beside *int // the column that holds the unit of its cells, or their currency
}

// Wish is what a request says of the columns of its sheet.
type Wish struct {
	Map    []string       // "column=field"
	Ignore []string       // columns
	Unit   string         // of lengths where neither column nor cell has one
	Zone   *time.Location // of times without offset
}

// Mapping says which column of a sheet is which field.
type Mapping struct {
	Kind    Kind
	Columns []Column
	wish    Wish
}

// Map finds the columns of a sheet: those that wish names, then those whose name
// is a field's or a synonym of one; case, accents, spaces and marks do not count.
func Map(k Kind, s *sheet.Sheet, wish Wish) (*Mapping, []problem.Fault) {
	m := &Mapping{Kind: k, wish: wish, Columns: make([]Column, len(s.Header))}
	for i, name := range s.Header {
		if name == "" {
			name = fmt.Sprintf("column %d", i+1)
		}
		m.Columns[i] = Column{Name: name, How: NotTaken, folded: sheet.Fold(name)}
	}
	faults := m.obey()
	for i := range m.Columns {
		if c := &m.Columns[i]; c.How == NotTaken {
			m.guess(c)
		}
	}
	return m, append(faults, m.check(s.HeaderRow)...)
}

// obey takes what the wish says.
func (m *Mapping) obey() []problem.Fault {
	var faults []problem.Fault
	find := func(at, name string) []*Column {
		var found []*Column
		folded := sheet.Fold(name)
		for i := range m.Columns {
			if c := &m.Columns[i]; c.Name == name || c.folded == folded && folded != "" {
				found = append(found, c)
			}
		}
		if len(found) == 0 {
			faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("there is no column %q in the sheet; its columns are %s", name, m.names())})
		}
		return found
	}
	for _, name := range m.wish.Ignore {
		for _, c := range find("?ignore", name) {
			c.How = Ignored
		}
	}
	for _, pair := range m.wish.Map {
		i := strings.LastIndex(pair, "=")
		if i < 1 {
			faults = append(faults, problem.Fault{Pointer: "?map", Detail: fmt.Sprintf("%q is not of the form column=field", pair)})
			continue
		}
		column, name := pair[:i], pair[i+1:]
		at := slices.IndexFunc(fields[m.Kind], func(f Field) bool { return f.Name == name })
		found := find("?map", column)
		if at < 0 {
			faults = append(faults, problem.Fault{Pointer: "?map", Detail: fmt.Sprintf("%s have no field %q; they have %s", m.Kind, name, fieldNames(m.Kind))})
			continue
		}
		for _, c := range found {
			_, c.Unit = sheet.Unit(c.Name, isUnit)
			c.Field, c.How = &fields[m.Kind][at], ByMap
		}
	}
	return faults
}

// guess finds a column's field by its name.
func (m *Mapping) guess(c *Column) {
	if m.listed(c) {
		return
	}
	for _, name := range []string{c.Name, ""} {
		unit := ""
		if name == "" {
			if name, unit = sheet.Unit(c.Name, isUnit); unit == "" {
				return
			}
		}
		folded := sheet.Fold(name)
		for i := range fields[m.Kind] {
			f := &fields[m.Kind][i]
			how := ""
			switch {
			case sheet.Fold(f.Name) == folded:
				how = ByName
			case slices.Contains(f.synonyms, folded):
				how = BySynonym
			default:
				continue
			}
			if !m.said(f) {
				c.Field, c.Unit, c.How = f, unit, how
				return
			}
		}
	}
}

// halves are how a list that is answered as CSV tells a length and money: in two
// columns side by side.
var halves = []struct {
	amount, unit string
	form         form
}{{".value", ".unit", size}, {".minor", ".currency", price}}

// listed finds the field of a column that is called as lists are answered as CSV:
// by its path in the answer. Only lists of tools and their models say what was said of
// a thing; a joint's tells what its template says, too.
func (m *Mapping) listed(c *Column) bool {
	if m.Kind != ToolModels && m.Kind != Tools {
		return false
	}
	take := func(path string, fits func(f *Field) bool) bool {
		for i := range fields[m.Kind] {
			if f := &fields[m.Kind][i]; f.Pointer == "/"+strings.ReplaceAll(path, ".", "/") && fits(f) && !m.said(f) {
				c.Field, c.How = f, ByName
				return true
			}
		}
		return false
	}
	for _, h := range halves {
		path, isHalf := strings.CutSuffix(c.Name, h.amount)
		other := slices.IndexFunc(m.Columns, func(o Column) bool { return o.Name == path+h.unit })
		if isHalf && other >= 0 && take(path, func(f *Field) bool { return f.form == h.form }) {
			c.beside = &other
			m.Columns[other].How = ByName
			return true
		}
	}
	return strings.Contains(c.Name, ".") && take(c.Name, func(f *Field) bool { return f.form != size && f.form != price })
}

// said reports whether the request names a column for f; others are then not
// guessed for it.
func (m *Mapping) said(f *Field) bool {
	return slices.ContainsFunc(m.Columns, func(c Column) bool { return c.Field == f && c.How == ByMap })
}

// check reports columns that mean the same, and fields that no column has.
func (m *Mapping) check(headerRow int) []problem.Fault {
	var faults []problem.Fault
	at := fmt.Sprintf("#row=%d", headerRow) // RFC 7111, 2.1
	for i := range fields[m.Kind] {
		f := &fields[m.Kind][i]
		var names []string
		for _, c := range m.Columns {
			if c.Field == f {
				names = append(names, fmt.Sprintf("%q", c.Name))
			}
		}
		switch {
		case len(names) > 1:
			faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("the columns %s would all be %s; say which is with map=column=%s, or leave the others out with ignore=column", strings.Join(names, " and "), f.Name, f.Name)})
		case len(names) == 0 && f.Needed:
			faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("no column is %s (%s), which is needed; name it so, or say which it is with map=column=%s. The columns are %s", f.Name, f.About, f.Name, m.names())})
		}
	}
	return faults
}

// names lists the columns for a text.
func (m *Mapping) names() string {
	list := make([]string, len(m.Columns))
	for i, c := range m.Columns {
		list[i] = fmt.Sprintf("%q", c.Name)
	}
	return strings.Join(list, ", ")
}

func fieldNames(k Kind) string {
	list := make([]string, len(fields[k]))
	for i, f := range fields[k] {
		list[i] = f.Name
	}
	return strings.Join(list, ", ")
}

// Has reports whether a column is the field of that name.
func (m *Mapping) Has(field string) bool {
	return slices.ContainsFunc(m.Columns, func(c Column) bool { return c.Field != nil && c.Field.Name == field })
}

// Column is the sheet's name for the column that a fault at pointer is about;
// empty where it is about the row, or about a field that no column has. ofModel
// tells the two bodies of a tool apart.
func (m *Mapping) Column(pointer string, ofModel bool) string {
	best, name := -1, ""
	for _, c := range m.Columns {
		if c.Field == nil || c.Field.Model != ofModel {
			continue
		}
		at := c.Field.Pointer
		if (pointer == at || strings.HasPrefix(pointer, at+"/") || pointer != "" && strings.HasPrefix(at, pointer+"/")) && len(at) > best {
			best, name = len(at), c.Name
		}
	}
	return name
}

// isUnit reports whether text is a unit of a column: of length, of temperature,
// or a currency.
func isUnit(text string) bool {
	if _, err := length.ParseUnit(text); err == nil {
		return true
	}
	return temperatureUnit(text) != "" || isCurrency(text)
}

func isCurrency(text string) bool {
	_, err := money.ParseCurrency(text)
	return err == nil
}

// temperatureUnit is the unit of the contract (UCUM) that people mean.
func temperatureUnit(text string) string {
	switch strings.ToLower(strings.TrimPrefix(strings.TrimSpace(text), "°")) {
	case "c", "cel", "celsius":
		return "Cel"
	case "f", "[degf]", "fahrenheit":
		return "[degF]"
	}
	return ""
}
