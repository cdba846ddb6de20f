package main

import (
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
)

// illustrate gives every component schema that is an object, and has no example,
// one put together from its fields': all of them where it only goes out, those
// that are needed where it comes in. A field's example is its own, its default, the
// first of its enum, what x-examples of the parts says for its name, or, for a
// text that may be anything, its name.
func illustrate(doc object) error {
	words, _ := doc["x-examples"].(object)
	delete(doc, "x-examples")
	in := map[string]bool{}
	eachSchema(doc, func(name string, s object, comesIn bool) {
		if comesIn {
			collect(doc, name, s, in)
		}
	})
	d := draughtsman{schemas: doc["components"].(object)["schemas"].(object), words: words, in: in, open: map[string]bool{}}
	var names []string
	for name := range d.schemas {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if d.schemas[name].(object)["type"] == "object" {
			d.component(name)
		}
	}
	// What stands in parameters and bodies and is neither a text nor such an object.
	eachMedia(doc, func(at, s object, comesIn bool) {
		named, _ := s["$ref"].(string)
		if target, ok := d.schemas[named[strings.LastIndex(named, "/")+1:]].(object); ok {
			s = target
		}
		if s["type"] != "string" && s["example"] == nil && at["example"] == nil {
			name, _ := at["name"].(string) // of a parameter
			d.at = "parameter or body"
			if v, ok := d.value(name, s, comesIn); ok {
				at["example"] = v
			}
		}
	})
	if len(d.missing) > 0 {
		slices.Sort(d.missing)
		return fmt.Errorf("these fields need an example, of their own or by their name in x-examples:\n%s", strings.Join(slices.Compact(d.missing), "\n"))
	}
	return nil
}

type draughtsman struct {
	schemas, words object
	in             map[string]bool
	open           map[string]bool // components being drawn: a schema may hold itself
	at             string
	missing        []string
}

// component draws the example of a component schema that is an object; false
// inside itself.
func (d *draughtsman) component(name string) (any, bool) {
	s := d.schemas[name].(object)
	if s["example"] != nil {
		return s["example"], true
	}
	if d.open[name] {
		return nil, false
	}
	d.open[name] = true
	defer delete(d.open, name)
	outer := d.at
	d.at = name
	defer func() { d.at = outer }()
	v, ok := d.value("", s, d.in[name])
	if ok {
		s["example"] = v
	}
	return v, ok
}

func (d *draughtsman) value(name string, s object, comesIn bool) (any, bool) {
	if r, ok := s["$ref"].(string); ok {
		named := r[strings.LastIndex(r, "/")+1:]
		if target := d.schemas[named].(object); target["type"] != "object" {
			return d.value(name, target, comesIn)
		}
		return d.component(named)
	}
	for _, member := range []string{"example", "default"} {
		if s[member] != nil {
			return s[member], true
		}
	}
	if list, ok := s["enum"].([]any); ok {
		return list[0], true
	}
	for _, choice := range []string{"oneOf", "anyOf"} {
		if list, ok := s[choice].([]any); ok {
			return d.value(name, list[0].(object), comesIn)
		}
	}
	if word, ok := d.words[name]; ok && fits(word, s) {
		return word, true
	}
	switch s["type"] {
	case "boolean":
		return false, true
	case "integer", "number":
		return between(1, s), true
	case "array":
		item, ok := d.value(name, s["items"].(object), comesIn)
		if !ok {
			return []any{}, true
		}
		return []any{item}, true
	case "object":
		return d.object(s, comesIn), true
	case "string":
		for _, one := range d.words["_forms"].([]any) {
			if s["format"] == nil && s["pattern"] != nil && s["pattern"] != noNUL && fits(one, s) || s["format"] != nil && fits(one, s) {
				return one, true
			}
		}
		if plain := strings.TrimSpace(strings.ReplaceAll(name, "_", " ") + " …"); s["format"] == nil && fits(plain, s) {
			return plain, true
		}
		d.missing = append(d.missing, d.at+"."+name)
	}
	return nil, false
}

func (d *draughtsman) object(s object, comesIn bool) object {
	properties, _ := s["properties"].(object)
	var names []string
	for name := range properties {
		names = append(names, name)
	}
	sort.Strings(names)
	required, _ := s["required"].([]any)
	out := object{}
	for _, name := range names {
		if comesIn && !slices.Contains(required, any(name)) && (s["minProperties"] == nil || len(out) > 0) {
			continue
		}
		if v, ok := d.value(name, properties[name].(object), comesIn); ok {
			out[name] = v
		}
	}
	return out
}

var formats = map[string]*regexp.Regexp{
	"uuid":      regexp.MustCompile(`^[0-9a-f-]{36}$`),
	"uuidv7":    regexp.MustCompile(`^[0-9a-f-]{36}$`),
	"date":      regexp.MustCompile(`^\d{4}-\d\d-\d\d$`),
	"date-time": regexp.MustCompile(`^\d{4}-\d\d-\d\dT`),
}

// fits reports whether value may stand for s; the contract's own test judges all
// examples fully.
func fits(value any, s object) bool {
	switch s["type"] {
	case "string":
		text, ok := value.(string)
		if !ok || s["enum"] != nil {
			return false
		}
		if most, ok := s["maxLength"].(int); ok && len([]rune(text)) > most {
			return false
		}
		if least, ok := s["minLength"].(int); ok && len([]rune(text)) < least {
			return false
		}
		format, _ := s["format"].(string)
		if re := formats[format]; format != "" && (re == nil || !re.MatchString(text)) {
			return false
		}
		pattern, _ := s["pattern"].(string)
		re, err := regexp.Compile(pattern)
		return err == nil && re.MatchString(text)
	case "integer":
		n, ok := value.(int)
		return ok && between(float64(n), s) == float64(n)
	case "number":
		switch n := value.(type) {
		case int:
			return between(float64(n), s) == float64(n)
		case float64:
			return between(n, s) == n
		}
	case "array":
		list, ok := value.([]any)
		items := s["items"].(object)
		if ok && items["type"] == nil && items["$ref"] == nil { // anything
			return true
		}
		return ok && items["$ref"] == nil && !slices.ContainsFunc(list, func(v any) bool { return !fits(v, items) })
	}
	return false
}

// between moves n into the bounds of s.
func between(n float64, s object) float64 {
	number := func(v any) (float64, bool) {
		switch x := v.(type) {
		case int:
			return float64(x), true
		case float64:
			return x, true
		}
		return 0, false
	}
	if most, ok := number(s["maximum"]); ok {
		n = min(n, most)
	}
	if least, ok := number(s["minimum"]); ok {
		n = max(n, least)
	}
	return n
}
