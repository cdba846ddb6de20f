package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"slices"
	"strings"
)

// csvOf writes the items of a list that was rendered as JSON as CSV (RFC 4180):
// a header row, then a row for each item with the value at each column, all lines
// ended by CRLF. Both forms show the same values because one is made of the other.
//
// encoding/csv's writer is not used: with CRLF at the ends of lines it changes the
// line breaks within values.
func csvOf(columns []string, body []byte) ([]byte, error) {
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	var list struct{ Items []any }
	if err := dec.Decode(&list); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	row := slices.Clone(columns)
	paths := make([][]string, len(columns))
	for i, c := range columns {
		paths[i] = strings.Split(c, ".")
	}
	writeRow(&out, row)
	for _, item := range list.Items {
		for i, path := range paths {
			var err error
			if row[i], err = cellOf(valueAt(item, path)); err != nil {
				return nil, err
			}
		}
		writeRow(&out, row)
	}
	return out.Bytes(), nil
}

func writeRow(out *bytes.Buffer, cells []string) {
	for i, cell := range cells {
		if i > 0 {
			out.WriteByte(',')
		}
		if cell != strings.TrimSpace(cell) || strings.ContainsAny(cell, "\",\r\n") {
			cell = `"` + strings.ReplaceAll(cell, `"`, `""`) + `"`
		}
		out.WriteString(cell)
	}
	out.WriteString("\r\n")
}

// valueAt follows a path into a value. Through a list it leads to the list of
// what stands there in each of its members.
func valueAt(value any, path []string) any {
	if len(path) == 0 {
		return value
	}
	switch v := value.(type) {
	case map[string]any:
		return valueAt(v[path[0]], path[1:])
	case []any:
		out := make([]any, len(v))
		for i, member := range v {
			out[i] = valueAt(member, path)
		}
		return out
	}
	return nil
}

// cellOf spells a value: a scalar as it is, a list of scalars joined, anything
// else as JSON, which no spreadsheet takes for a formula.
func cellOf(value any) (string, error) {
	switch v := value.(type) {
	case json.Number:
		return v.String(), nil
	case []any:
		parts := make([]string, len(v))
		for i, member := range v {
			text, ok := scalar(member)
			if !ok {
				return asJSON(v)
			}
			parts[i] = joinable.Replace(text)
		}
		return harmless(strings.Join(parts, "|")), nil
	case map[string]any:
		return asJSON(v)
	}
	text, ok := scalar(value)
	if !ok {
		return "", errors.New("csv: a value of a kind that JSON does not have")
	}
	return harmless(text), nil
}

var joinable = strings.NewReplacer(`\`, `\\`, `|`, `\|`)

func scalar(value any) (string, bool) {
	switch v := value.(type) {
	case nil:
		return "", true
	case string:
		return v, true
	case json.Number:
		return v.String(), true
	case bool:
		if v {
			return "true", true
		}
		return "false", true
	}
	return "", false
}

func asJSON(value any) (string, error) {
	text, err := render(value)
	return string(text), err
}

// harmless puts an apostrophe before a text that a spreadsheet would take for a
// formula: one that begins with what OWASP's page “CSV Injection” lists, or with
// the full-width form of it. A text that begins like that behind apostrophes of its
// own gets one more, so that taking one off always gives the text back.
func harmless(text string) string {
	rest := strings.TrimLeft(text, "'")
	if rest == "" || !strings.ContainsRune("=+-@\t\r\n＝＋－＠", []rune(rest)[0]) {
		return text
	}
	return "'" + text
}
