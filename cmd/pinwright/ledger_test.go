package main

import (
	"strings"
	"testing"

	"pinwright/internal/pgtest"
)

// What is found in which books is held in package api; this is the way there and back.
func TestLedgerVerifyNamesWhatNoJournalKnows(t *testing.T) {
	t.Parallel()
	code, stdout, stderr := call(t, urls(pgtest.New(t)), "ledger", "verify")
	if code != exitOK || !strings.HasPrefix(stdout, "0 entries, all as they were written") {
		t.Errorf("no books: exit %d\n%s%s", code, stdout, stderr)
	}
	db, _ := filled(t) // by specimens, which write past the journal
	code, stdout, stderr = call(t, urls(db), "ledger", "verify")
	if code != exitFailed || !strings.Contains(stdout, "entry 1: stands in no journal") || !strings.Contains(stderr, "the books are not sound") {
		t.Errorf("exit %d, %s\n%s", code, stderr, stdout)
	}
	for _, args := range [][]string{{"ledger"}, {"ledger", "mend"}, {"ledger", "verify", "all"}} {
		if code, _, stderr := call(t, urls(db), args...); code != exitUsage {
			t.Errorf("%v: exit %d, %s", args, code, stderr)
		}
	}
}
