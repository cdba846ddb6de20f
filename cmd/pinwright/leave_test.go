package main

import (
	"archive/zip"
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/takeout"
)

// archive reads an export.
func archive(t *testing.T, path string) map[string][]byte {
	t.Helper()
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close() //nolint:errcheck // only read from
	out := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if out[f.Name], err = io.ReadAll(r); err != nil { // checks the entry's CRC-32
			t.Fatal(err)
		}
	}
	return out
}

func TestClubLeavesWithAllItsDataAndNobodyElses(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	out := filepath.Join(t.TempDir(), "thorn-yard.zip")
	for _, name := range []string{"thorn-yard", club.ClubID.String()} {
		_ = os.Remove(out)
		if code, stdout, stderr := call(t, urls(db), "club", "export", "-club", name, "-out", out); code != exitOK || !strings.Contains(stdout, "thorn-yard ("+club.ClubID.String()+")") {
			t.Fatalf("exit %d, %q, %q", code, stdout, stderr)
		}
	}
	files := archive(t, out)
	var m takeout.Manifest
	if err := json.Unmarshal(files["manifest.json"], &m); err != nil {
		t.Fatal(err)
	}
	if m.Club != club.ClubID || m.Contract == "" || m.Schema == 0 || !strings.Contains(string(files["README.txt"]), "How values are written") {
		t.Errorf("manifest %+v", m)
	}
	theirs := map[string]bool{}
	rows, err := db.Owner.Query(t.Context(), `select club_id::text from club where club_id <> $1`, club.ClubID)
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			t.Fatal(err)
		}
		theirs[id] = true
	}
	tables := 0
	for _, table := range m.Tables {
		var want int64
		if err := db.Owner.QueryRow(t.Context(), `select count(*) from `+table.Name+` where club_id = $1`, club.ClubID).Scan(&want); err != nil {
			t.Fatal(err)
		}
		n := int64(0)
		for lines := bufio.NewScanner(bytes.NewReader(files[table.File])); lines.Scan(); n++ {
			var row map[string]any
			if err := json.Unmarshal(lines.Bytes(), &row); err != nil || row["club_id"] != club.ClubID.String() {
				t.Errorf("%s: a row of another club, or none: %s (%v)", table.Name, lines.Bytes(), err)
			}
		}
		if n != want || n != table.Rows || n == 0 {
			t.Errorf("%s: %d rows in the file, %d in the manifest, %d in the database", table.Name, n, table.Rows, want)
		}
		tables++
	}
	var all int
	if err := db.Owner.QueryRow(t.Context(), `select count(*) from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r' and relname not in ('schema_migrations', 'answer', 'findable')`).Scan(&all); err != nil || tables != all {
		t.Errorf("%d tables of %d (%v)", tables, all, err)
	}
	for name, text := range files {
		for id := range theirs {
			if bytes.Contains(text, []byte(id)) {
				t.Errorf("%s tells of the club %s", name, id)
			}
		}
	}
	if bytes.Contains(files["token.jsonl"], []byte(`"hash"`)) || len(m.LeftOut) != 3 {
		t.Errorf("left out are %v", m.LeftOut)
	}

	// What was typed comes out digit for digit, with what escaping must carry.
	if text := string(files["reading.jsonl"]); !strings.Contains(text, `"entered":0.3540,"entered_unit":"in"`) {
		t.Errorf("0.3540 in is not as it was entered:\n%s", text)
	}
	if text := string(files["garage.jsonl"]); !strings.Contains(text, `"Yard \\ number 3 \\N"`) || !strings.Contains(text, `"two\nlines,\ttab, \\. and \\N"`) {
		t.Errorf("garages:\n%s", text)
	}
	var head string
	if err := db.Owner.QueryRow(t.Context(), `select encode(hash, 'hex') from head where club_id = $1 and seq = $2`, club.ClubID, m.Seq).Scan(&head); err != nil || m.Hash != head {
		t.Errorf("the journal stands at %s, the manifest says %s (%v)", head, m.Hash, err)
	}

	for _, tc := range []struct{ args, want string }{
		{"-club thorn-yard -out " + out, "is there already"},
		{"-club nowhere -out " + out + "2", "there is no such club"},
		{"-club thorn-yard", "want -club and -out"},
	} {
		if code, _, stderr := call(t, urls(db), append([]string{"club", "export"}, strings.Fields(tc.args)...)...); code == exitOK || !strings.Contains(stderr, tc.want) {
			t.Errorf("%s: exit %d, %s", tc.args, code, stderr)
		}
	}
	if left, err := filepath.Glob(out + "*"); err != nil || len(left) != 1 {
		t.Errorf("failures left %v (%v)", left, err)
	}
	if _, err := db.Owner.Exec(t.Context(), `update club set slug = 'thorn-yard'`); err != nil {
		t.Fatal(err)
	}
	if code, _, stderr := call(t, urls(db), "club", "export", "-club", "thorn-yard", "-out", out+"3"); code != exitFailed || !strings.Contains(stderr, "2 clubs have the slug") {
		t.Errorf("two of one slug: exit %d, %s", code, stderr)
	}
}

func TestClubIsErasedWhenThatIsTypedAndStaysSound(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	manifest := backedUp(t, db)
	state := func() string {
		t.Helper()
		var all string
		if err := db.Owner.QueryRow(t.Context(), `select string_agg(m::text, E'\n' order by id) from member m`).Scan(&all); err != nil {
			t.Fatal(err)
		}
		return all
	}
	before := state()
	for _, confirm := range []string{"", "erase gorse-end", "yes"} {
		code, stdout, stderr := call(t, urls(db), "club", "erase", "-club", "thorn-yard", "-confirm", confirm)
		if code != exitFailed || !strings.Contains(stdout, `-confirm "erase thorn-yard"`) || !strings.Contains(stdout, "its 2 members, 1 vehicles and 7 garages") || !strings.Contains(stderr, "nothing was erased") {
			t.Errorf("confirmed by %q: exit %d, %q, %q", confirm, code, stdout, stderr)
		}
	}
	if diff := cmp.Diff(before, state()); diff != "" {
		t.Fatalf("unconfirmed, but (-before +after):\n%s", diff)
	}
	if code, stdout, stderr := call(t, urls(db), "club", "erase", "-club", "thorn-yard", "-confirm", "erase thorn-yard"); code != exitOK {
		t.Fatalf("exit %d, %q, %q", code, stdout, stderr)
	}
	if after := state(); strings.Count(after, "Erased member") != 2 || strings.Count(after, "Runa Vale") != 1 {
		t.Errorf("members:\n%s", after)
	}
	if code, stdout, _ := call(t, urls(db), "verify", "-heads", manifest); code != exitOK {
		t.Errorf("verify: exit %d\n%s", code, stdout)
	}
	p := start(t, db)
	if status, text := p.send(t, club, "GET", "me", "", ""); status != 401 {
		t.Errorf("a token of the erased club: %d %s", status, text)
	}
	// What is left restores.
	into := empty(t, "")
	if code, stdout, stderr := call(t, urls(into), "restore", "-from", backedUp(t, db)); code != exitOK {
		t.Errorf("restoring: exit %d\n%s%s", code, stdout, stderr)
	}
}
