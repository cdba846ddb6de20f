package witness

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

func hashOf(n int64) Hash {
	sum := sha256.Sum256(fmt.Append(nil, n))
	return sum[:]
}

func stopped() time.Time { return time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC) }

func TestWhatIsPublishedIsBoundedByClubsAndReadBack(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "heads")
	var log bytes.Buffer
	n, err := NewNotes(slog.New(slog.NewTextHandler(&log, nil)), path, stopped)
	if err != nil {
		t.Fatal(err)
	}
	clubs := []uuid.UUID{uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b5"), uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b6")}
	var all sync.WaitGroup
	for _, c := range clubs {
		for seq := int64(1000); seq > 0; seq-- { // in any order
			all.Go(func() { n.Note(c, seq, hashOf(seq)) })
		}
	}
	all.Wait()
	n.Publish()
	n.Publish() // nothing new
	if got := strings.Count(log.String(), "journal head"); got != 2 {
		t.Errorf("%d heads are logged of 2 clubs:\n%s", got, &log)
	}
	n.Note(clubs[1], 1001, hashOf(1001))
	n.Publish()
	want := []Head{{stopped(), clubs[0], 1000, hashOf(1000)}, {stopped(), clubs[1], 1000, hashOf(1000)}, {stopped(), clubs[1], 1001, hashOf(1001)}}
	got, unread, err := Read(path)
	if err != nil || len(unread) > 0 {
		t.Fatal(unread, err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("rights %v (%v)", info.Mode(), err)
	}
}

func TestLineOfAKilledProcessDoesNotSpoilTheNext(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "heads")
	club := uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b5")
	whole := Head{stopped(), club, 7, hashOf(7)}
	if err := os.WriteFile(path, []byte("# kept by us\n"+whole.line()+whole.line()[:60]), 0o600); err != nil {
		t.Fatal(err)
	}
	n, err := NewNotes(slog.New(slog.DiscardHandler), path, stopped)
	if err != nil {
		t.Fatal(err)
	}
	n.Note(club, 8, hashOf(8))
	n.Publish()
	got, unread, err := Read(path)
	if err != nil || len(got) != 2 || got[1].Seq != 8 || len(unread) != 1 || !strings.HasPrefix(unread[0], "line 3: ") {
		t.Errorf("%v %v %v", got, unread, err)
	}
}

func TestHeadsThatCouldNotBeWrittenAreTriedAgain(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "mounted")
	path := filepath.Join(dir, "heads")
	if _, err := NewNotes(slog.New(slog.DiscardHandler), path, stopped); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a folder that is not there shows at the start as %v", err)
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	n, err := NewNotes(slog.New(slog.NewTextHandler(&log, nil)), path, stopped)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(dir, dir+".away"); err != nil {
		t.Fatal(err)
	}
	n.Note(uuid.New(), 1, hashOf(1))
	n.Publish()
	if !strings.Contains(log.String(), "were not written") {
		t.Errorf("the failure is not logged:\n%s", &log)
	}
	if err := os.Rename(dir+".away", dir); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	n.Run(ctx, time.Hour) // publishes once more at its end
	if got, _, err := Read(path); err != nil || len(got) != 1 {
		t.Errorf("%v %v", got, err)
	}
}

func TestLinesThatAreNoHeadsAreNotTakenForSome(t *testing.T) {
	t.Parallel()
	good := Head{stopped(), uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b5"), 7, hashOf(7)}.line()
	for _, text := range []string{
		"", "x", good[:len(good)-2], strings.Replace(good, " 7 ", " -7 ", 1), strings.Replace(good, " 7 ", " seven ", 1), strings.Replace(good, "2026-", "26-", 1),
		strings.Replace(good, "0192f0c1", "zz92f0c1", 1), strings.TrimSpace(good) + " more", strings.Replace(good, " ", "  ", 1),
	} {
		if h, err := parseLine(strings.TrimSuffix(text, "\n")); err == nil {
			t.Errorf("%q is read as %v", text, h)
		}
	}
}

func FuzzParseLine(f *testing.F) {
	f.Add(strings.TrimSpace(Head{stopped(), uuid.Max, 7, hashOf(7)}.line()))
	f.Add("2026-11-25T16:00:00+02:00 {0192f0c1-2a3b-7c4d-8e5f-60718293a4b5} 0 " + hashOf(0).String())
	f.Fuzz(func(t *testing.T, text string) {
		h, err := parseLine(text)
		if err != nil {
			return
		}
		again, err := parseLine(strings.TrimSuffix(h.line(), "\n"))
		if err != nil || again.Club != h.Club || again.Seq != h.Seq || !bytes.Equal(again.Hash, h.Hash) {
			t.Errorf("%q is read as %v and written as %q", text, h, h.line())
		}
	})
}

func TestManifestsHeadsAreRead(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "manifest.json")
	want := []Head{{Club: uuid.New(), Seq: 3, Hash: hashOf(3)}}
	text, err := json.Marshal(map[string]any{"heads": want, "other": 1})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	got, _, err := Read(path)
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
}
