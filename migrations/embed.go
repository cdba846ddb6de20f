// Package migrations holds the numbered files that make and change the tables,
// NNNN_name.up.sql and NNNN_name.down.sql, embedded into the binary. Package
// schema applies them; DEVELOPERS.md says how to add one.
package migrations

import (
	"embed"
	"strings"
)

// Files are the migrations, in the root of the file system.
//
//go:embed *.sql
var Files embed.FS

//go:embed described.txt
var described string

// Described lists what all of Files make, one line a thing, as package schema
// describes it. A test holds it true.
func Described() []string { return strings.Split(strings.TrimSuffix(described, "\n"), "\n") }
