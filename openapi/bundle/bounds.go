package main

import "strings"

// What comes in is bounded by hand, field by field (contract_test.go asks for
// it). What goes out is bounded here, generously, so that a client can set aside
// room, and what a format implies is written down for both.

const (
	longestText = 1 << 14 // of a text that goes out
	longestList = 1 << 14 // of a list that goes out
	longestBody = 1 << 26 // of a body that is a text, such as CSV
	// exactly is 2^53-1: up to it every reader of JSON reads the same integer
	// (RFC 8259, 6; RFC 7493, 2.2).
	exactly = 1<<53 - 1
	noNUL   = `^[^\x00]*$`
)

var formatLengths = map[string]int{"date": 10, "date-time": 40, "uuid": 36, "uuidv7": 36}

// bound bounds every schema of doc.
func bound(doc object) {
	in := map[string]bool{} // names of schemas that come in
	eachSchema(doc, func(name string, s object, comesIn bool) {
		if comesIn {
			collect(doc, name, s, in)
		}
	})
	for _, item := range doc["paths"].(object) {
		for _, op := range item.(object) {
			for _, r := range op.(object)["responses"].(object) {
				content, _ := r.(object)["content"].(object)
				for _, media := range content {
					if s := media.(object)["schema"].(object); s["type"] == "string" && s["maxLength"] == nil {
						s["maxLength"] = longestBody
					}
				}
			}
		}
	}
	eachSchema(doc, func(name string, s object, comesIn bool) {
		boundSchema(s, !comesIn && !in[name])
	})
}

// collect notes every component schema that s refers to.
func collect(doc object, name string, at any, in map[string]bool) {
	if name != "" {
		in[name] = true
	}
	switch v := at.(type) {
	case object:
		if r, ok := v["$ref"].(string); ok {
			named := r[strings.LastIndex(r, "/")+1:]
			if strings.HasPrefix(r, "#/components/schemas/") && !in[named] {
				collect(doc, named, doc["components"].(object)["schemas"].(object)[named], in)
			}
		}
		for _, member := range v {
			collect(doc, "", member, in)
		}
	case []any:
		for _, item := range v {
			collect(doc, "", item, in)
		}
	}
}

// eachSchema visits every outermost schema: those of components by name, and
// those that stand in parameters, headers and bodies.
func eachSchema(doc object, visit func(name string, s object, comesIn bool)) {
	for name, s := range doc["components"].(object)["schemas"].(object) {
		visit(name, s.(object), false)
	}
	eachMedia(doc, func(_, s object, comesIn bool) { visit("", s, comesIn) })
}

// eachMedia visits every parameter, header and body with its schema.
func eachMedia(doc object, visit func(at, s object, comesIn bool)) {
	inline := func(at any, comesIn bool) {
		if s, ok := at.(object)["schema"].(object); ok {
			visit(at.(object), s, comesIn)
		}
	}
	all := func(at any, member string, comesIn bool) {
		named, _ := at.(object)[member].(object)
		for _, one := range named {
			inline(one, comesIn)
		}
	}
	components := doc["components"].(object)
	all(components, "parameters", true)
	all(components, "headers", false)
	for _, item := range doc["paths"].(object) {
		for _, op := range item.(object) {
			list, _ := op.(object)["parameters"].([]any)
			for _, p := range list {
				inline(p, true)
			}
			if body, ok := op.(object)["requestBody"]; ok {
				all(body, "content", true)
			}
			for _, r := range op.(object)["responses"].(object) {
				all(r, "content", false)
				all(r, "headers", false)
			}
		}
	}
}

// boundSchema writes bounds into s and the schemas inside it: what its formats
// imply, and, when it only goes out, the generous ones.
func boundSchema(s object, goesOut bool) {
	set := func(name string, value any) {
		if s[name] == nil {
			s[name] = value
		}
	}
	switch s["type"] {
	case "string":
		format, _ := s["format"].(string)
		if n := formatLengths[format]; n > 0 {
			set("maxLength", n)
		}
		if goesOut && s["enum"] == nil {
			set("maxLength", longestText)
			if format == "" {
				set("pattern", noNUL)
			}
		}
	case "integer":
		if s["format"] == nil {
			s["format"] = "int32"
			set("x-go-type", "int")
		}
		if goesOut {
			most := exactly
			if s["format"] == "int32" {
				most = 1<<31 - 1
			}
			set("minimum", -most)
			set("maximum", most)
		}
	case "array":
		if goesOut {
			set("maxItems", longestList)
		}
		if items, ok := s["items"].(object); ok {
			boundSchema(items, goesOut)
		}
	case "object":
		values, isSchema := s["additionalProperties"].(object)
		if goesOut && (isSchema || s["additionalProperties"] == true) {
			set("maxProperties", longestList)
		}
		if isSchema {
			boundSchema(values, goesOut)
		}
		properties, _ := s["properties"].(object)
		for _, p := range properties {
			boundSchema(p.(object), goesOut)
		}
	}
	for _, choice := range []string{"oneOf", "anyOf", "allOf"} {
		list, _ := s[choice].([]any)
		for _, one := range list {
			boundSchema(one.(object), goesOut)
		}
	}
}
