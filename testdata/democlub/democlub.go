// Package democlub is the invented club that the demo and its tests work with.
// Its people, vehicles, sizes and suppliers exist nowhere else.
package democlub

import _ "embed"

// JSON is the club: bodies as the API takes them, and histories that a loader
// turns into readings.
//
//go:embed club.json
var JSON []byte
