// Package quota counts requests in token buckets, in bounded memory.
//
// A credential has a bucket of its own once it was found good (Confirm);
// until then, and without one, the client's address is charged. So whoever
// makes up credentials shares the one bucket of the address, cannot fill the
// memory with them, and cannot use up what members with good ones have left.
package quota

import (
	"fmt"
	"math"
	"net/netip"
	"time"

	lru "github.com/hashicorp/golang-lru/v2"
	"golang.org/x/time/rate"
)

// most is how many buckets of each sort are kept, at about 200 bytes each. What was
// used least recently goes; it comes back full.
const most = 1 << 14

// Credential is a digest of what a client signs in with.
type Credential [32]byte

// Quota is the buckets of one process.
type Quota struct {
	limit     rate.Limit
	burst     int
	known     *lru.Cache[Credential, *rate.Limiter]
	addresses *lru.Cache[netip.Prefix, *rate.Limiter]
}

// New makes a quota of burst requests at once that come back at perSecond; both
// must be above 0.
func New(perSecond float64, burst int) (*Quota, error) {
	if perSecond <= 0 || burst < 1 {
		return nil, fmt.Errorf("quota: %v a second, %d at once: both must be above 0", perSecond, burst)
	}
	known, err := lru.New[Credential, *rate.Limiter](most)
	if err != nil {
		return nil, fmt.Errorf("quota: %w", err)
	}
	addresses, err := lru.New[netip.Prefix, *rate.Limiter](most)
	if err != nil {
		return nil, fmt.Errorf("quota: %w", err)
	}
	return &Quota{limit: rate.Limit(perSecond), burst: burst, known: known, addresses: addresses}, nil
}

// Verdict is what became of one request.
type Verdict struct {
	Taken bool
	Left  int // requests that may follow at once
	// Reset is how long until all are back, or, when none is left, until one more
	// is taken.
	Reset time.Duration
	// Known reports that the credential has a bucket of its own.
	Known bool
}

// Take charges one request: the credential's bucket where it is known to be good,
// else the address's.
func (q *Quota) Take(now time.Time, credential *Credential, address netip.Addr) Verdict {
	var v Verdict
	var bucket *rate.Limiter
	if credential != nil {
		bucket, v.Known = q.known.Get(*credential)
	}
	if !v.Known {
		bucket = bucketOf(q, q.addresses, network(address))
	}
	v.Taken = bucket.AllowN(now, 1)
	tokens := max(0, bucket.TokensAt(now))
	v.Left = int(tokens)
	if missing := float64(q.burst) - tokens; v.Left > 0 {
		v.Reset = q.time(missing)
	} else {
		v.Reset = q.time(1 - tokens)
	}
	return v
}

// Confirm gives a credential that was found good a bucket of its own.
func (q *Quota) Confirm(credential Credential) { bucketOf(q, q.known, credential) }

func bucketOf[K comparable](q *Quota, kept *lru.Cache[K, *rate.Limiter], key K) *rate.Limiter {
	if b, ok := kept.Get(key); ok {
		return b
	}
	fresh := rate.NewLimiter(q.limit, q.burst)
	if earlier, ok, _ := kept.PeekOrAdd(key, fresh); ok { // another request was faster
		return earlier
	}
	return fresh
}

func (q *Quota) time(tokens float64) time.Duration {
	return time.Duration(tokens / float64(q.limit) * float64(time.Second))
}

// network is what is charged for an address: one of IPv6 has at least 2^64
// neighbours of its own (RFC 6177), so they count as one.
func network(a netip.Addr) netip.Prefix {
	a = a.Unmap().WithZone("")
	bits := a.BitLen()
	if a.Is6() {
		bits = 64
	}
	p, _ := a.Prefix(bits) // an invalid address is the zero prefix: all of them share a bucket
	return p
}

// Policy is the field RateLimit-Policy and Field the field RateLimit of
// draft-ietf-httpapi-ratelimit-headers, as structured fields (RFC 9651): lists of
// one string each, with integers as parameters.
func (q *Quota) Policy() string {
	return fmt.Sprintf(`"default";q=%d;w=%d`, q.burst, Seconds(q.time(float64(q.burst))))
}

// Field is the field RateLimit for a verdict.
func (v Verdict) Field() string {
	return fmt.Sprintf(`"default";r=%d;t=%d`, v.Left, Seconds(v.Reset))
}

// Seconds rounds up, so that waiting that long is enough.
func Seconds(d time.Duration) int { return int(math.Ceil(d.Seconds())) }
