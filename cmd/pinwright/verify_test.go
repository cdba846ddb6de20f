package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
)

// tamper does something to a database as a superuser.
func tamper(t *testing.T, adminURL, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), adminURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background()) //nolint:errcheck // answered already
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// Package soundness holds its checks against every kind of tampering; this is
// the way from the command to them and back.
func TestVerifyTellsOfTampering(t *testing.T) {
	t.Parallel()
	db, _ := filled(t)
	manifest := backedUp(t, db)
	sound := empty(t, "")
	if code, stdout, stderr := call(t, urls(sound), "restore", "-from", manifest); code != exitOK {
		t.Fatalf("restore: exit %d\n%s\n%s", code, stdout, stderr)
	}
	const cut = `delete from history_record; delete from history_row; delete from history_import; with cut as (delete from event where seq = (select max(seq) from event e where e.club_id = event.club_id) returning club_id)
		update head set seq = seq - 1, hash = (select hash from event e where e.club_id = head.club_id and e.seq = head.seq - 1)`
	for _, tc := range []struct {
		name, tampering string
		args            []string
		want            string
	}{
		{"a right more", `grant delete on reading to pinwright_app`, nil, "right reading pinwright_app DELETE"},
		{"a value changed", `update reading set size_nm = size_nm + 1000`, []string{"-manifest", manifest}, "reading has as many rows as the backup, but others"},
		{"the tail cut off", cut, []string{"-heads", manifest}, "its tail was cut"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			copied := empty(t, sound.Name)
			tamper(t, copied.AdminURL, tc.tampering)
			if tc.args != nil {
				if code, stdout, stderr := call(t, urls(copied), "verify"); code != exitOK {
					t.Errorf("by itself the database should look sound: exit %d\n%s%s", code, stdout, stderr)
				}
			}
			code, stdout, stderr := call(t, urls(copied), append([]string{"verify"}, tc.args...)...)
			if code != exitFailed || !strings.Contains(stderr, "is not sound") || !strings.Contains(stdout, "FAULT") || !strings.Contains(stdout, tc.want) {
				t.Errorf("exit %d, %s\n%s", code, stderr, stdout)
			}
		})
	}
}

func TestVerifyReadsHeadsAndSaysWhatItCannotRead(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	path := filepath.Join(t.TempDir(), "heads")
	write := func(text string) {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var seq, hash string
	if err := db.Owner.QueryRow(t.Context(), `select seq::text, encode(hash, 'hex') from head where club_id = $1`, club.ClubID).Scan(&seq, &hash); err != nil {
		t.Fatal(err)
	}
	line := "2026-11-25T16:00:00Z " + club.ClubID.String() + " " + seq + " " + hash + "\n"
	write("# heads\n\n" + line + line[:50] + "\n" + line)
	if code, stdout, stderr := call(t, urls(db), "verify", "-heads", path); code != exitOK || !strings.Contains(stdout, "2 heads of 1 clubs") || !strings.Contains(stderr, "line 4: ") {
		t.Errorf("exit %d\n%s\n%s", code, stdout, stderr)
	}
	write("# none\n")
	if code, _, stderr := call(t, urls(db), "verify", "-heads", path); code != exitFailed || !strings.Contains(stderr, "proves nothing") {
		t.Errorf("a file without heads: exit %d, %s", code, stderr)
	}
	bare := empty(t, "")
	if code, stdout, _ := call(t, urls(bare), "verify"); code != exitFailed || !strings.Contains(stdout, "there are no tables") {
		t.Errorf("an empty database: exit %d\n%s", code, stdout)
	}
}
