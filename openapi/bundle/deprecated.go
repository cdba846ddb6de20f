package main

import (
	"fmt"
	"time"
)

// deprecation tells what of an operation goes: itself or some of its
// parameters.
type deprecation struct{ any, sunset bool }

// markDeprecated reads x-deprecated of an operation and its parameters: since
// (a day), sunset (a later day, once it is known) and instead (what to use). It
// marks each as deprecated for programs and says the same in its description.
func markDeprecated(op object, params []any) (deprecation, error) {
	var found deprecation
	all := append([]any{op}, params...)
	for _, one := range all {
		at, ok := one.(object)
		if !ok || at["x-deprecated"] == nil {
			continue
		}
		x, ok := at["x-deprecated"].(object)
		if !ok {
			return found, fmt.Errorf("x-deprecated: give since, and sunset and instead where they are known")
		}
		words, err := deprecationWords(x)
		if err != nil {
			return found, err
		}
		about, _ := at["description"].(string)
		if about != "" {
			about += "\n\n"
		}
		at["description"], at["deprecated"] = about+words, true
		found.any = true
		found.sunset = found.sunset || x["sunset"] != nil
	}
	return found, nil
}

func deprecationWords(x object) (string, error) {
	day := func(name string) (time.Time, error) {
		text := fmt.Sprint(x[name])
		if t, ok := x[name].(time.Time); ok { // YAML knows days
			text = t.Format(time.DateOnly)
		}
		x[name] = text // kept as a text, or the day would become a time of day
		t, err := time.Parse(time.DateOnly, text)
		if err != nil {
			return t, fmt.Errorf("x-deprecated: %s is %q, want a day such as 2026-05-01", name, text)
		}
		return t, nil
	}
	for name := range x {
		if name != "since" && name != "sunset" && name != "instead" {
			return "", fmt.Errorf("x-deprecated: %s is not known; known are since, sunset and instead", name)
		}
	}
	since, err := day("since")
	if err != nil {
		return "", err
	}
	words := "Deprecated since " + since.Format(time.DateOnly)
	if x["sunset"] != nil {
		sunset, err := day("sunset")
		if err != nil {
			return "", err
		}
		if sunset.Before(since) {
			return "", fmt.Errorf("x-deprecated: sunset is before since; RFC 9745, 4 asks that it is not")
		}
		words += ", gone from " + sunset.Format(time.DateOnly)
	}
	if x["instead"] != nil {
		words += fmt.Sprintf("; use %v instead", x["instead"])
	}
	return words + ".", nil
}

// announce adds the fields that tell of it (RFC 9745, RFC 8594).
func (d deprecation) announce(headers object) {
	if !d.any {
		return
	}
	headers["Deprecation"] = ref("headers", "Deprecation")
	headers["Link"] = ref("headers", "Link")
	if d.sunset {
		headers["Sunset"] = ref("headers", "Sunset")
	}
}
