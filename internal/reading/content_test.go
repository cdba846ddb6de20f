package reading

import (
	"crypto/sha256"
	"testing"

	"github.com/google/uuid"
)

// RFC 9562, B.2: the name-based UUID of version 8 that is made with SHA-256 of
// the namespace DNS and “www.example.com”.
func TestIDsOfContentAreMadeAsInRFC9562(t *testing.T) {
	t.Parallel()
	if got := contentID(uuid.NameSpaceDNS, []byte("www.example.com")); got.String() != "5c146b14-3c52-8afd-938a-375d0df1fbf6" || got.Version() != 8 || got.Variant() != uuid.RFC4122 {
		t.Errorf("%s", got)
	}
}

func TestEqualReadingsAreSeveralAndKeepTheirIDs(t *testing.T) {
	t.Parallel()
	one, other := sha256.Sum256([]byte("one")), sha256.Sum256([]byte("other"))
	given := uuid.Must(uuid.NewV7())
	named := func(order ...[]byte) map[uuid.UUID]int {
		results := []Result{{Reading: Reading{ID: given, Fingerprint: one[:]}}}
		for _, print := range order {
			results = append(results, Result{Reading: Reading{Fingerprint: print}})
		}
		nameByContent(results)
		out := map[uuid.UUID]int{}
		for _, r := range results {
			out[r.Reading.ID]++
		}
		return out
	}
	a, b := named(one[:], other[:], one[:]), named(one[:], one[:], other[:])
	if len(a) != 4 || a[given] != 1 {
		t.Errorf("%v", a)
	}
	for id := range b {
		if a[id] != 1 {
			t.Errorf("the order of the rows counts: %v, %v", a, b)
		}
	}
}
