package tool

import (
	"fmt"

	"pinwright/internal/calc/length"
)

// Entered keeps lengths exactly as they were entered, by the name of their
// field, beside the nanometres that calculations use: {"size": "0.318 in"}.
type Entered map[string]string

// Keep notes q as what was entered in field and returns its length; a nil q was
// not entered.
func (e Entered) Keep(field string, q *length.Quantity) *length.Length {
	if q == nil {
		return nil
	}
	e[field] = q.String()
	l := q.Length()
	return &l
}

// Quantity returns what was entered in field, nil when nothing was. It panics
// for a text that Keep cannot have written.
func (e Entered) Quantity(field string) *length.Quantity {
	text, ok := e[field]
	if !ok {
		return nil
	}
	q, err := length.Parse(text)
	if err != nil {
		panic(fmt.Sprintf("tool: %s entered as %q: %v", field, text, err))
	}
	return &q
}
