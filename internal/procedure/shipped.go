package procedure

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"
)

//go:embed shipped/*.json
var files embed.FS

// Shipped are the procedures that every club begins with, without ids, by code.
// What is done in which order, and how long it takes, is ordinary workshop practice,
// no published source.
func Shipped() []Procedure {
	names, err := files.ReadDir("shipped")
	if err != nil {
		panic(fmt.Sprintf("procedure: shipped: %v", err)) // embedded by the compiler
	}
	var out []Procedure
	for _, name := range names {
		text, err := files.ReadFile(path.Join("shipped", name.Name()))
		if err != nil {
			panic(fmt.Sprintf("procedure: %s: %v", name.Name(), err))
		}
		var of struct {
			Name        string `json:"name"`
			KindOfJoint string `json:"kind_of_joint"`
			Steps       []Step `json:"steps"`
		}
		d := json.NewDecoder(bytes.NewReader(text))
		d.DisallowUnknownFields()
		if err := d.Decode(&of); err != nil {
			panic(fmt.Sprintf("procedure: %s: %v", name.Name(), err)) // a test decodes every one
		}
		out = append(out, Procedure{Code: strings.TrimSuffix(name.Name(), ".json"), Name: of.Name, KindOfJoint: of.KindOfJoint, Edition: 1, Steps: of.Steps, Version: 1})
	}
	return out
}

// ShippedAs is the shipped procedure of that code.
func ShippedAs(code string) (Procedure, bool) {
	all := Shipped()
	i := slices.IndexFunc(all, func(p Procedure) bool { return p.Code == code })
	if i < 0 {
		return Procedure{}, false
	}
	return all[i], true
}
