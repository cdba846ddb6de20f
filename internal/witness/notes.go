package witness

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
)

// Notes publishes heads, from the writes of one process: for each club that was
// written in, the last head of each span of time, so that what is published is
// bounded by the clubs and the time, and not by the writes.
type Notes struct {
	log  *slog.Logger
	path string // of the file; empty for the log only
	now  func() time.Time

	mu      sync.Mutex
	pending map[uuid.UUID]Head
}

// NewNotes publishes to log and, when path is not empty, to the end of that
// file, which several processes may share.
func NewNotes(log *slog.Logger, path string, now func() time.Time) (*Notes, error) {
	n := &Notes{log: log, path: path, now: now, pending: map[uuid.UUID]Head{}}
	if path == "" {
		return n, nil
	}
	f, err := openEnd(path) // a file that cannot be written should show at the start
	if err != nil {
		return nil, err
	}
	return n, f.Close()
}

// Note takes note of a head; writes may tell of them in any order.
func (n *Notes) Note(club uuid.UUID, seq int64, hash []byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if had, ok := n.pending[club]; !ok || had.Seq < seq {
		n.pending[club] = Head{At: n.now().UTC(), Club: club, Seq: seq, Hash: hash}
	}
}

// Run publishes every so often until ctx ends, and then once more.
func (n *Notes) Run(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			n.Publish()
		case <-ctx.Done():
			n.Publish()
			return
		}
	}
}

// Publish publishes what was noted since the last time.
func (n *Notes) Publish() {
	n.mu.Lock()
	heads := make([]Head, 0, len(n.pending))
	for _, h := range n.pending {
		heads = append(heads, h)
	}
	clear(n.pending)
	n.mu.Unlock()
	if len(heads) == 0 {
		return
	}
	slices.SortFunc(heads, func(a, b Head) int {
		return cmp.Or(a.At.Compare(b.At), bytes.Compare(a.Club[:], b.Club[:]))
	})
	for _, h := range heads {
		n.log.Info("journal head", "club", h.Club, "seq", h.Seq, "hash", h.Hash.String())
	}
	if n.path == "" {
		return
	}
	if err := appendTo(n.path, heads); err != nil {
		n.log.Error("journal heads were not written to their file; the next time tries again", "error", err, "file", n.path)
		for _, h := range heads {
			n.Note(h.Club, h.Seq, h.Hash)
		}
	}
}

func (h Head) line() string {
	return h.At.UTC().Format(time.RFC3339) + " " + h.Club.String() + " " + strconv.FormatInt(h.Seq, 10) + " " + h.Hash.String() + "\n"
}

func openEnd(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o600) //nolint:gosec // a file that the operator names
}

// appendTo writes the heads in one piece, so that processes which share the
// file do not write into each other's lines, and syncs it.
func appendTo(path string, heads []Head) error {
	f, err := openEnd(path)
	if err != nil {
		return err
	}
	var text strings.Builder
	if torn, err := endsWithinLine(f); err != nil {
		return errors.Join(err, f.Close())
	} else if torn { // by a process that was killed while it wrote
		text.WriteByte('\n')
	}
	for _, h := range heads {
		text.WriteString(h.line())
	}
	_, err = io.WriteString(f, text.String())
	return errors.Join(err, f.Sync(), f.Close())
}

func endsWithinLine(f *os.File) (bool, error) {
	info, err := f.Stat()
	if err != nil || info.Size() == 0 {
		return false, err
	}
	last := make([]byte, 1)
	if _, err := f.ReadAt(last, info.Size()-1); err != nil {
		return false, err
	}
	return last[0] != '\n', nil
}
