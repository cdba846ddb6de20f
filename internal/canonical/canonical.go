// Package canonical spells JSON in the one form of RFC 8785 (JSON
// Canonicalization Scheme), so that equal contents have equal bytes, and so equal
// hashes, whoever wrote them down.
package canonical

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

// Marshal is the canonical form of what encoding/json makes of v.
func Marshal(v any) ([]byte, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return Of(text)
}

// Of is the canonical form of a JSON text. A text that is not UTF-8, that names a
// member twice, or that holds a number beyond IEEE 754 double precision has none
// (RFC 8785, 3.1).
func Of(text []byte) ([]byte, error) {
	if !utf8.Valid(text) {
		return nil, errors.New("canonical: not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var out bytes.Buffer
	if err := value(d, &out); err != nil {
		return nil, fmt.Errorf("canonical: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("canonical: something stands behind the value")
	}
	return out.Bytes(), nil
}

func value(d *json.Decoder, out *bytes.Buffer) error {
	token, err := d.Token()
	if err != nil {
		return err
	}
	switch v := token.(type) {
	case json.Delim:
		if v == '[' {
			return array(d, out)
		}
		return object(d, out)
	case nil:
		out.WriteString("null")
	case bool:
		out.WriteString(strconv.FormatBool(v))
	case string:
		quote(out, v)
	case json.Number:
		return number(out, v)
	}
	return nil
}

func array(d *json.Decoder, out *bytes.Buffer) error {
	out.WriteByte('[')
	for n := 0; d.More(); n++ {
		if n > 0 {
			out.WriteByte(',')
		}
		if err := value(d, out); err != nil {
			return err
		}
	}
	out.WriteByte(']')
	_, err := d.Token()
	return err
}

// member is one of an object; members are in the order of their names' UTF-16
// code units (3.2.3).
type member struct {
	name  string
	units []uint16
	text  []byte
}

func object(d *json.Decoder, out *bytes.Buffer) error {
	var members []member
	for d.More() {
		token, err := d.Token()
		if err != nil {
			return err
		}
		name, _ := token.(string) // the decoder takes nothing else here
		var text bytes.Buffer
		if err := value(d, &text); err != nil {
			return err
		}
		members = append(members, member{name, utf16.Encode([]rune(name)), text.Bytes()})
	}
	if _, err := d.Token(); err != nil {
		return err
	}
	slices.SortFunc(members, func(a, b member) int { return slices.Compare(a.units, b.units) })
	out.WriteByte('{')
	for i, m := range members {
		if i > 0 {
			if m.name == members[i-1].name {
				return fmt.Errorf("the member %q stands twice", m.name)
			}
			out.WriteByte(',')
		}
		quote(out, m.name)
		out.WriteByte(':')
		out.Write(m.text)
	}
	out.WriteByte('}')
	return nil
}

// quote writes a string with no more escapes than JSON needs (3.2.2.2).
func quote(out *bytes.Buffer, s string) {
	out.WriteByte('"')
	for _, r := range s {
		switch r {
		case '"', '\\':
			out.WriteByte('\\')
			out.WriteRune(r)
		case '\b':
			out.WriteString(`\b`)
		case '\t':
			out.WriteString(`\t`)
		case '\n':
			out.WriteString(`\n`)
		case '\f':
			out.WriteString(`\f`)
		case '\r':
			out.WriteString(`\r`)
		default:
			if r < 0x20 {
				fmt.Fprintf(out, `\u%04x`, r)
			} else {
				out.WriteRune(r)
			}
		}
	}
	out.WriteByte('"')
}

// number writes a number as ECMAScript does (3.2.2.3), which is how encoding/json
// spells a float64, but for the zero that has a sign.
func number(out *bytes.Buffer, n json.Number) error {
	f, err := n.Float64()
	if err != nil || math.IsInf(f, 0) {
		return fmt.Errorf("the number %s is beyond double precision", n)
	}
	if f == 0 {
		out.WriteByte('0')
		return nil
	}
	text, err := json.Marshal(f)
	out.Write(text)
	return err
}
