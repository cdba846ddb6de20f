package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"pinwright/internal/problem"
)

// deepest is how far objects and lists may be nested in a body; nothing in the
// contract needs more than eight.
const deepest = 32

// readStrictly parses a body that must be one JSON value and nothing else.
// encoding/json lets duplicate names, text after the value and NUL characters
// pass; here each is refused, since each loses what somebody sent. Numbers stay
// the digits that were sent.
func readStrictly(body []byte) (any, error) {
	if i := bytes.IndexByte(body, 0); i >= 0 {
		return nil, malformed("the byte at position %d is NUL; remove it", i)
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	value, err := readValue(dec, "", 0)
	if err != nil {
		return nil, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, malformed("there is more after the end of the JSON value, at position %d; send one value", dec.InputOffset())
	}
	return value, nil
}

func malformed(format string, args ...any) error {
	return problem.New(problem.MalformedRequest, "The body is not strict JSON: "+format+".", args...)
}

func readValue(dec *json.Decoder, pointer string, depth int) (any, error) {
	if depth > deepest {
		return nil, malformed("it is nested deeper than %d levels at %s", deepest, pointer)
	}
	token, err := dec.Token()
	if err != nil {
		return nil, broken(dec, err)
	}
	switch t := token.(type) {
	case json.Delim:
		if t == '{' {
			return readObject(dec, pointer, depth)
		}
		return readList(dec, pointer, depth)
	case string:
		for _, r := range t {
			if r == 0 {
				return nil, malformed("the text at %q contains a NUL character (\\u0000); remove it", pointer)
			}
		}
		return t, nil
	case json.Number:
		if len(t) > 40 {
			return nil, malformed("the number at %q has more than 40 characters", pointer)
		}
		return t, nil
	default:
		return t, nil
	}
}

func readObject(dec *json.Decoder, pointer string, depth int) (any, error) {
	object := map[string]any{}
	for dec.More() {
		token, err := dec.Token()
		if err != nil {
			return nil, broken(dec, err)
		}
		name, _ := token.(string)
		at := pointer + "/" + escapePointer(name)
		if _, twice := object[name]; twice {
			return nil, malformed("the name %q stands twice, at %s; send it once", name, at)
		}
		if object[name], err = readValue(dec, at, depth+1); err != nil {
			return nil, err
		}
	}
	if _, err := dec.Token(); err != nil {
		return nil, broken(dec, err)
	}
	return object, nil
}

func readList(dec *json.Decoder, pointer string, depth int) (any, error) {
	list := []any{}
	for dec.More() {
		item, err := readValue(dec, fmt.Sprintf("%s/%d", pointer, len(list)), depth+1)
		if err != nil {
			return nil, err
		}
		list = append(list, item)
	}
	if _, err := dec.Token(); err != nil {
		return nil, broken(dec, err)
	}
	return list, nil
}

func broken(dec *json.Decoder, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return malformed("it ends too early; close what was opened")
	}
	return malformed("%s, near position %d", err.Error(), dec.InputOffset())
}

// escapePointer spells a name as a token of a JSON pointer (RFC 6901, 3).
func escapePointer(name string) string {
	var out []byte
	for i := 0; i < len(name); i++ {
		switch name[i] {
		case '~':
			out = append(out, "~0"...)
		case '/':
			out = append(out, "~1"...)
		default:
			out = append(out, name[i])
		}
	}
	return string(out)
}
