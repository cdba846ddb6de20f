// Package witness keeps the heads of the journals outside the database, so that
// whoever can rewrite all of it, hashes included, is still found out: a head
// noted elsewhere fixes everything before it.
//
// A file of heads has one line a head, four fields parted by one space, oldest
// first; empty lines and lines that begin with # are passed over:
//
//	2026-11-25T16:00:00Z 01935e3a-5d1c-7c4d-8e5f-60718293a4b5 1042 9f86d081…
//
// the time it was noted (RFC 3339, UTC), the club's id, the number of its last
// event, and that event's hash in 64 hexadecimal digits. There are no names in
// it.
package witness

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
)

// Hash prints as hexadecimal digits.
type Hash []byte

// String is the hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h) }

// MarshalText is String, for JSON.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads String.
func (h *Hash) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(string(text))
	*h = b
	return err
}

// Head is where a club's journal stood.
type Head struct {
	At   time.Time `json:"at,omitzero"`
	Club uuid.UUID `json:"club"`
	Seq  int64     `json:"seq"`
	Hash Hash      `json:"hash"`
}

func parseLine(text string) (Head, error) {
	fields := strings.Split(text, " ")
	if len(fields) != 4 {
		return Head{}, fmt.Errorf("%d fields, want time, club, number and hash", len(fields))
	}
	at, err := time.Parse(time.RFC3339, fields[0])
	if err != nil {
		return Head{}, err
	}
	club, err := uuid.Parse(fields[1])
	if err != nil {
		return Head{}, err
	}
	seq, err := strconv.ParseInt(fields[2], 10, 64)
	if err != nil || seq < 0 {
		return Head{}, fmt.Errorf("%q is no number of an event", fields[2])
	}
	h := Head{At: at, Club: club, Seq: seq}
	if err := h.Hash.UnmarshalText([]byte(fields[3])); err != nil || len(h.Hash) != 32 {
		return Head{}, fmt.Errorf("%q is no SHA-256", fields[3])
	}
	return h, nil
}

// Read reads a file of heads, or a backup's manifest, whose heads stand under
// "heads". unread tells of lines that are no heads; a process that was killed
// while it wrote leaves one.
func Read(path string) (heads []Head, unread []string, err error) {
	text, err := os.ReadFile(path) //nolint:gosec // a file that the operator names
	if err != nil {
		return nil, nil, err
	}
	if trimmed := bytes.TrimSpace(text); len(trimmed) > 0 && trimmed[0] == '{' {
		var manifest struct{ Heads []Head }
		if err := json.Unmarshal(text, &manifest); err != nil {
			return nil, nil, fmt.Errorf("%s is no backup's manifest: %w", path, err)
		}
		return manifest.Heads, nil, nil
	}
	return readLines(bytes.NewReader(text))
}

func readLines(r io.Reader) (heads []Head, unread []string, err error) {
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		text := strings.TrimSuffix(lines.Text(), "\r")
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		h, err := parseLine(text)
		if err != nil {
			unread = append(unread, fmt.Sprintf("line %d: %v", n, err))
			continue
		}
		heads = append(heads, h)
	}
	return heads, unread, lines.Err()
}
