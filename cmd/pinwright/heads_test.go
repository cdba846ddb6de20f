package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// The serving process keeps what its own database cannot be trusted with.
func TestServingKeepsJournalHeadsByWhichTamperingIsFound(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	path := filepath.Join(t.TempDir(), "heads")
	p := start(t, db, "PINWRIGHT_HEADS_FILE="+path, "PINWRIGHT_HEADS_EVERY=50ms")
	post := func(i int) {
		t.Helper()
		p.post(t, club, "garages", fmt.Sprintf(`{"code":"h%d","name":"Yard","time_zone":"Europe/Lisbon"}`, i))
	}
	lines := func() int {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(string(text), "\n")
	}
	post(0)
	waitFor(t, "a first head", func() bool { return lines() > 0 })
	for i := range 20 {
		post(i + 1)
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	code, log := p.end(t)
	if code != exitOK || !strings.Contains(log, `"msg":"journal head"`) || !strings.Contains(log, club.ClubID.String()) {
		t.Errorf("exit %d, log:\n%s", code, log)
	}
	// The last head is the database's, since it is written at the end too.
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var head string
	if err := db.Owner.QueryRow(t.Context(), `select club_id || ' ' || seq || ' ' || encode(hash, 'hex') || E'\n' from head where club_id = $1`, club.ClubID).Scan(&head); err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(string(text), head) {
		t.Errorf("the file ends in %q, the head is %q", text[max(0, len(text)-150):], head)
	}
	if strings.Contains(string(text), "Yard") || strings.Contains(string(text), "Runa") {
		t.Error("the file holds names")
	}
	if code, stdout, _ := call(t, urls(db), "verify", "-heads", path); code != exitOK {
		t.Errorf("verify: exit %d\n%s", code, stdout)
	}
	tamper(t, db.AdminURL, `delete from history_record; delete from history_row; delete from history_import; delete from repair_record; with cut as (delete from event where seq > (select max(seq) from event e where e.club_id = event.club_id) - 2 returning club_id)
		update head set seq = seq - 2, hash = (select hash from event e where e.club_id = head.club_id and e.seq = head.seq - 2)`)
	if code, stdout, _ := call(t, urls(db), "verify"); code != exitOK {
		t.Errorf("by itself the cut journal should look sound: exit %d\n%s", code, stdout)
	}
	if code, stdout, _ := call(t, urls(db), "verify", "-heads", path); code != exitFailed || !strings.Contains(stdout, "its tail was cut") {
		t.Errorf("verify with heads: exit %d\n%s", code, stdout)
	}
}
