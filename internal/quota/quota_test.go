package quota

import (
	"fmt"
	"net/netip"
	"regexp"
	"sync"
	"testing"
	"time"
)

var (
	start = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	here  = netip.MustParseAddr("192.0.2.7") // RFC 5737
	there = netip.MustParseAddr("198.51.100.7")
)

func newQuota(t *testing.T, perSecond float64, burst int) *Quota {
	t.Helper()
	q, err := New(perSecond, burst)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func credential(n int) *Credential {
	return &Credential{byte(n), byte(n >> 8), byte(n >> 16), byte(n >> 24)}
}

// The closed form of a token bucket: whatever is asked, and when, no more than
// burst + rate × time is taken, and a client that waits as it is told is taken.
func TestABucketTakesItsBurstAndThenItsRate(t *testing.T) {
	t.Parallel()
	q := newQuota(t, 4, 10)
	taken := 0
	for ms := range 5000 {
		if q.Take(start.Add(time.Duration(ms)*time.Millisecond), nil, here).Taken {
			taken++
		}
	}
	if want := 10 + 4*4999/1000; taken != want {
		t.Errorf("%d taken in 5 s, want %d", taken, want)
	}
	now := start.Add(5 * time.Second)
	for range 5 {
		v := q.Take(now, nil, here)
		if v.Taken {
			continue
		}
		if v.Left != 0 || v.Reset <= 0 || v.Reset > 250*time.Millisecond {
			t.Errorf("refused with %d left and %s to wait, want 0 and at most 250ms", v.Left, v.Reset)
		}
		now = now.Add(v.Reset + time.Microsecond)
		if !q.Take(now, nil, here).Taken {
			t.Error("waited as told and was refused")
		}
	}
}

func TestWhatIsLeftIsTold(t *testing.T) {
	t.Parallel()
	q := newQuota(t, 2, 3)
	for _, want := range []string{`"default";r=2;t=1`, `"default";r=1;t=1`, `"default";r=0;t=1`, `"default";r=0;t=1`} {
		if got := q.Take(start, nil, here).Field(); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	if got, want := q.Policy(), `"default";q=3;w=2`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	// The grammar of a list of one string with integer parameters, from RFC 9651, 3.1,
	// 3.1.2 and 3.3.3, written here by hand.
	field := regexp.MustCompile(`^"[ !#-\[\]-~]*"(;[a-z*][a-z0-9_.*-]*=-?[0-9]{1,15})*$`)
	for _, got := range []string{q.Policy(), q.Take(start, nil, there).Field()} {
		if !field.MatchString(got) {
			t.Errorf("%s is no structured field", got)
		}
	}
}

func TestAGoodCredentialHasABucketOfItsOwn(t *testing.T) {
	t.Parallel()
	q := newQuota(t, 1, 5)
	q.Confirm(*credential(1))
	q.Confirm(*credential(2))
	for range 9 { // one member uses up theirs
		q.Take(start, credential(1), here)
	}
	if v := q.Take(start, credential(1), here); v.Taken || !v.Known {
		t.Errorf("%+v after ten of five", v)
	}
	for n := range 99 { // and somebody at the same address makes up credentials
		q.Take(start, credential(1000+n), here)
	}
	if v := q.Take(start, credential(2000), here); v.Taken {
		t.Error("a fresh credential that nobody knows is a way round the limit")
	}
	if v := q.Take(start, credential(2), here); !v.Taken || v.Left != 4 {
		t.Errorf("another member at the same address: %+v, want a full bucket", v)
	}
	if v := q.Take(start, nil, there); !v.Taken {
		t.Error("another address is charged for it")
	}
	q.Confirm(*credential(1))
	if q.Take(start, credential(1), here).Taken {
		t.Error("confirming again fills the bucket")
	}
}

func TestMemoryIsBounded(t *testing.T) {
	t.Parallel()
	q := newQuota(t, 1, 5)
	q.Confirm(*credential(1))
	for n := range 5 * most {
		q.Take(start, credential(2+n), netip.AddrFrom4([4]byte{10, byte(n >> 16), byte(n >> 8), byte(n)}))
	}
	if q.addresses.Len() > most || q.known.Len() != 1 {
		t.Errorf("%d addresses and %d credentials kept after %d unknown ones", q.addresses.Len(), q.known.Len(), 5*most)
	}
	for n := range 5 * most {
		q.Confirm(*credential(n))
	}
	if q.known.Len() > most {
		t.Errorf("%d credentials kept", q.known.Len())
	}
}

func TestNeighboursOfIPv6AreOne(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		a, b string
		same bool
	}{ // addresses of RFC 3849 and RFC 5737
		{"2001:db8::1", "2001:db8::ffff:1", true},
		{"2001:db8::1", "2001:db8:0:1::1", false},
		{"fe80::1%eth0", "fe80::1%eth1", true},
		{"192.0.2.1", "192.0.2.2", false},
		{"192.0.2.1", "::ffff:192.0.2.1", true},
	} {
		if same := network(netip.MustParseAddr(tc.a)) == network(netip.MustParseAddr(tc.b)); same != tc.same {
			t.Errorf("%s and %s: one bucket %v, want %v", tc.a, tc.b, same, tc.same)
		}
	}
	q := newQuota(t, 1, 1)
	q.Take(start, nil, netip.Addr{})
	if q.Take(start, nil, netip.Addr{}).Taken {
		t.Error("addresses that cannot be read are not limited")
	}
}

// Held with the race detector: many at once take no more than there is.
func TestManyAtOnceTakeNoMoreThanThereIs(t *testing.T) {
	t.Parallel()
	q := newQuota(t, 1, 100)
	var wait sync.WaitGroup
	var mu sync.Mutex
	taken := 0
	for n := range 8 {
		wait.Go(func() {
			for range 50 {
				q.Confirm(*credential(n % 2))
				if q.Take(start, nil, here).Taken {
					mu.Lock()
					taken++
					mu.Unlock()
				}
			}
		})
	}
	wait.Wait()
	if taken != 100 {
		t.Errorf("%d taken of 100", taken)
	}
}

func TestAQuotaOfNothingIsRefused(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		rate  float64
		burst int
	}{{0, 1}, {-1, 1}, {1, 0}} {
		if _, err := New(tc.rate, tc.burst); err == nil {
			t.Errorf("%v accepted", fmt.Sprint(tc))
		}
	}
}
