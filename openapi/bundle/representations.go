package main

import (
	"fmt"
	"slices"
	"sort"
	"strings"
)

// represent writes what follows from the shape of an operation's answer: a list
// is answered as CSV as well, with one column for each value of an item, and an
// answer that holds lengths takes the unit to hold them in.
func represent(doc, op object) error {
	schemas := doc["components"].(object)["schemas"].(object)
	responses, _ := op["responses"].(object)
	lengths := false
	for status, r := range responses {
		if status[0] != '2' {
			continue
		}
		content, _ := r.(object)["content"].(object)
		answer, _ := content["application/json"].(object)
		if answer == nil {
			continue
		}
		lengths = lengths || lengthsIn(schemas, answer["schema"], includes(op), map[string]bool{})
		item := itemOf(schemas, answer["schema"])
		if item == nil || status != "200" {
			continue
		}
		columns, err := columnsOf(schemas, item, "", false)
		if err != nil {
			return err
		}
		if op["x-etag"] == true {
			return fmt.Errorf("a list has several representations; teach entityTag to tell them apart before it gets an ETag")
		}
		content["text/csv"] = object{"schema": object{"type": "string"}, "x-columns": columns}
		headersOf(r.(object))["Vary"] = ref("headers", "Vary")
		problems, _ := op["x-problems"].([]any)
		op["x-problems"] = append(problems, "not-acceptable")
	}
	if lengths {
		params, _ := op["parameters"].([]any)
		op["parameters"] = append(params, ref("parameters", "units"))
	}
	return nil
}

func headersOf(response object) object {
	headers, _ := response["headers"].(object)
	if headers == nil {
		headers = object{}
		response["headers"] = headers
	}
	return headers
}

// resolve follows a reference to a schema and returns its name, empty for one
// that stands in place.
func resolve(schemas object, schema any) (object, string) {
	s, _ := schema.(object)
	if link, ok := s["$ref"].(string); ok {
		name := link[strings.LastIndex(link, "/")+1:]
		target, _ := schemas[name].(object)
		return target, name
	}
	return s, ""
}

// branches are the schemas that stand beside each other in s.
func branches(s object) []any {
	var out []any
	for _, word := range []string{"allOf", "oneOf", "anyOf"} {
		list, _ := s[word].([]any)
		out = append(out, list...)
	}
	return out
}

// includes reports whether op takes what to show with its answer.
func includes(op object) bool {
	params, _ := op["parameters"].([]any)
	return slices.ContainsFunc(params, func(p any) bool { one, _ := p.(object); return one["name"] == "include" })
}

// lengthsIn reports whether a value of schema may hold a length; what is shown
// only when it is included counts only where it can be.
func lengthsIn(schemas object, schema any, included bool, seen map[string]bool) bool {
	s, name := resolve(schemas, schema)
	if name == "Length" {
		return true
	}
	if s == nil || name != "" && seen[name] {
		return false
	}
	seen[name] = name != ""
	inner := append(branches(s), s["items"])
	properties, _ := s["properties"].(object)
	for _, p := range properties {
		if one, _ := p.(object); included || one["x-include"] == nil {
			inner = append(inner, p)
		}
	}
	return slices.ContainsFunc(inner, func(one any) bool { return lengthsIn(schemas, one, included, seen) })
}

// itemOf is the schema of the items of a list, nil for what is no list.
func itemOf(schemas object, schema any) any {
	s, _ := resolve(schemas, schema)
	properties, _ := s["properties"].(object)
	items, _ := resolve(schemas, properties["items"])
	if items["type"] != "array" {
		return nil
	}
	return items["items"]
}

// columnsOf names the CSV columns of a schema: fields that are always there
// come first, in the order in which the schema requires them, then the others by
// name; a field within a field is joined by a dot. A length or an amount of money is
// its number and its unit, without the text that says both. A list of objects has
// a column for each of their fields; what has no fixed shape has one column.
func columnsOf(schemas object, schema any, at string, inList bool) ([]any, error) {
	s, name := resolve(schemas, schema)
	if all, ok := s["allOf"].([]any); ok && len(all) == 1 {
		return columnsOf(schemas, all[0], at, inList)
	}
	if s["type"] == "array" {
		if item, _ := resolve(schemas, s["items"]); !inList && item["type"] == "object" {
			return columnsOf(schemas, s["items"], at, true)
		}
		return []any{at}, nil
	}
	properties, _ := s["properties"].(object)
	if len(properties) == 0 {
		return []any{at}, nil
	}
	if strings.Count(at, ".") > 8 {
		return nil, fmt.Errorf("%s is nested too deeply for CSV", at)
	}
	var columns []any
	for _, field := range fieldsOf(s, properties) {
		if field == "text" && (name == "Length" || name == "Money") {
			continue
		}
		if own, _ := properties[field].(object); own["x-include"] != nil {
			continue // there only when it is asked for
		}
		path := field
		if at != "" {
			path = at + "." + field
		}
		more, err := columnsOf(schemas, properties[field], path, inList)
		if err != nil {
			return nil, err
		}
		columns = append(columns, more...)
	}
	return columns, nil
}

func fieldsOf(s, properties object) []string {
	var fields []string
	required, _ := s["required"].([]any)
	for _, r := range required {
		fields = append(fields, r.(string))
	}
	var rest []string
	for field := range properties {
		if !slices.Contains(fields, field) {
			rest = append(rest, field)
		}
	}
	sort.Strings(rest)
	return append(fields, rest...)
}
