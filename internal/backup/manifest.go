// Package backup writes the whole database into a file, and a file back into an
// empty database.
//
// A backup is two files of one name. NAME.zip holds the rows: for each table an
// entry data/TABLE.copy in the text format of PostgreSQL's COPY. NAME.json is
// the manifest: which migration the rows belong to, how many there are, where
// every club's journal stood, and the file's SHA-256. Everything is read in one
// snapshot. The manifest is renamed into its place last, so a backup that has
// one is complete.
//
// There are no table definitions in it: they are the migrations', which are part
// of the program. Restoring migrates an empty database to the manifest's number
// and loads the rows as the owner, so that every constraint is checked anew and
// roles, rights and policies stand as the migrations give them. No program of
// PostgreSQL's own is needed, neither to write nor to restore.
package backup

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"pinwright/internal/witness"
)

// format is the manifest's own version.
const format = 1

// Manifest says what a backup holds.
type Manifest struct {
	Format        int               `json:"format"`
	MadeAt        time.Time         `json:"made_at"`
	Program       string            `json:"program"`    // version of the program that wrote it
	Server        string            `json:"server"`     // version of the PostgreSQL it was read from
	Database      string            `json:"database"`   // its name there
	Schema        int               `json:"schema"`     // number of the migration
	Migrations    map[string]string `json:"migrations"` // SHA-256 of each up file to that number
	Tables        []Table           `json:"tables"`
	Heads         []witness.Head    `json:"heads"`
	Description   []string          `json:"description"`              // of the schema, as schema.Describe gives it
	LeftOut       []string          `json:"left_out,omitempty"`       // tables of other schemas
	File          string            `json:"file,omitempty"`           // name of the file of rows
	Bytes         int64             `json:"bytes,omitempty"`          // its size
	SHA256        witness.Hash      `json:"sha256,omitempty"`         // of the whole of it
	TookInSeconds float64           `json:"took_in_seconds,omitzero"` // to write
}

// Table is a table of a backup.
type Table struct {
	Name    string       `json:"name"`
	Columns []string     `json:"columns"`
	Rows    int64        `json:"rows"`
	Sum     witness.Hash `json:"sum"` // of the rows in any order: rowSum
}

// ReadManifest reads the manifest of a backup; path names either of its files.
func ReadManifest(path string) (Manifest, error) {
	path = manifestOf(path)
	text, err := os.ReadFile(path) //nolint:gosec // a file that the operator names
	if errors.Is(err, fs.ErrNotExist) {
		return Manifest{}, fmt.Errorf("there is no manifest %s: without one a backup is not complete", path)
	}
	if err != nil {
		return Manifest{}, err
	}
	var m Manifest
	if err := json.Unmarshal(text, &m); err != nil {
		return Manifest{}, fmt.Errorf("%s is no manifest: %w", path, err)
	}
	if m.Format != format {
		return Manifest{}, fmt.Errorf("%s is of format %d; this program reads %d", path, m.Format, format)
	}
	return m, nil
}

func manifestOf(path string) string { return strings.TrimSuffix(path, filepath.Ext(path)) + ".json" }
func rowsOf(path string) string     { return strings.TrimSuffix(path, filepath.Ext(path)) + ".zip" }

// program is the version that the build was stamped with.
func program() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	version := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			version += " " + s.Value
		}
	}
	return strings.TrimSpace(version)
}
