package issuer

import (
	"context"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
	"golang.org/x/sync/singleflight"

	"pinwright/internal/problem"
)

const (
	// freshFor is how long keys are used before they are asked for again, so
	// that a key that the issuer has withdrawn is not trusted for long.
	freshFor = 10 * time.Minute
	// usableFor is how long they are used while the issuer does not answer.
	usableFor = time.Hour
	// pause is how long nothing is asked of the issuer after an answer or a
	// failure, whatever is presented: whoever makes up key names makes no load. A new
	// key that the issuer signs with at once is known after this at the latest.
	pause = 10 * time.Second
	// patience bounds one request to the issuer.
	patience = 5 * time.Second
	// largest is the most that is read of an answer, in bytes.
	largest = 1 << 20
)

// keys are the issuer's public keys as they were last had.
type keys struct {
	issuer string
	client *http.Client
	now    func() time.Time
	flight singleflight.Group

	mu     sync.Mutex
	list   []jose.JSONWebKey
	had    time.Time // when list was had; zero: never
	asked  time.Time // when the issuer last answered or failed
	failed error     // how it failed, nil when it answered
}

func newKeys(o Options) *keys {
	return &keys{issuer: o.URL, now: o.Now, client: &http.Client{
		Timeout:   patience,
		Transport: bounded{o.Transport},
		// An issuer's documents stand where it says; elsewhere nothing of it is trusted.
		CheckRedirect: func(*http.Request, []*http.Request) error { return errors.New("issuer: redirects are not followed") },
	}}
}

// verify returns the payload of a token that one of the keys has signed.
func (k *keys) verify(ctx context.Context, token string) ([]byte, error) {
	signed, err := jose.ParseSignedCompact(token, algorithms)
	if err != nil {
		return nil, fmt.Errorf("issuer: %w", err)
	}
	header := signed.Signatures[0].Header
	fits, had := k.fitting(header)
	if len(fits) == 0 || k.now().Sub(had) > freshFor {
		if err := k.refresh(ctx); err != nil && (len(fits) == 0 || k.now().Sub(had) > usableFor) {
			return nil, err
		}
		fits, _ = k.fitting(header)
	}
	for _, key := range fits {
		if payload, err := signed.Verify(key.Key); err == nil {
			return payload, nil
		}
	}
	return nil, fmt.Errorf("issuer: none of its keys named %q has signed this", header.KeyID)
}

// fitting lists the keys at hand that may have signed what has that header, and
// when they were had.
func (k *keys) fitting(header jose.Header) ([]jose.JSONWebKey, time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []jose.JSONWebKey
	for _, key := range k.list {
		if (header.KeyID == "" || key.KeyID == header.KeyID) && (key.Algorithm == "" || key.Algorithm == header.Algorithm) {
			out = append(out, key)
		}
	}
	return out, k.had
}

// refresh asks the issuer for its keys, once for all who wait, and not within
// the pause after it was last asked.
func (k *keys) refresh(ctx context.Context) error {
	done := k.flight.DoChan("keys", func() (any, error) {
		if rests, err := k.resting(); rests {
			return nil, err
		}
		// Whoever came first may leave; the others still wait.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*patience)
		defer cancel()
		list, err := k.fetch(ctx)
		if err != nil {
			err = silent(pause, err)
		}
		k.mu.Lock()
		defer k.mu.Unlock()
		k.asked, k.failed = k.now(), err
		if err == nil {
			k.list, k.had = list, k.asked
		}
		return nil, err
	})
	select {
	case r := <-done:
		return r.Err
	case <-ctx.Done():
		return silent(time.Second, ctx.Err())
	}
}

// resting reports whether the issuer was asked just now, and how it failed then.
func (k *keys) resting() (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	left := pause - k.now().Sub(k.asked)
	if k.asked.IsZero() || left <= 0 {
		return false, nil
	}
	if k.failed != nil {
		return true, silent(left, k.failed)
	}
	return true, nil
}

// silent is the problem of an issuer that does not answer.
func silent(wait time.Duration, cause error) error {
	if p, ok := problem.As(cause); ok {
		cause = p.Cause
	}
	return &problem.Error{Kind: problem.Unavailable, Detail: "Whoever vouches for this token does not answer, so it cannot be checked now. Send the same request again later, or use a token of this service, which needs nobody else.",
		RetryAfter: wait, Cause: cause}
}

// fetch asks the issuer where its keys are, and for them.
func (k *keys) fetch(ctx context.Context) ([]jose.JSONWebKey, error) {
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, k.client), k.issuer)
	if err != nil {
		return nil, fmt.Errorf("issuer: discovery: %w", err)
	}
	var says struct {
		Keys string `json:"jwks_uri"`
	}
	if err := provider.Claims(&says); err != nil {
		return nil, fmt.Errorf("issuer: discovery: %w", err)
	}
	own, err := url.Parse(k.issuer)
	if err != nil {
		return nil, fmt.Errorf("issuer: %w", err)
	}
	at, err := url.Parse(says.Keys)
	if err != nil || at.Host == "" || at.Scheme != "https" && at.Scheme != own.Scheme {
		return nil, fmt.Errorf("issuer: discovery names no safe place for its keys: %q", says.Keys)
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, says.Keys, nil)
	if err != nil {
		return nil, fmt.Errorf("issuer: keys: %w", err)
	}
	answer, err := k.client.Do(r)
	if err != nil {
		return nil, fmt.Errorf("issuer: keys: %w", err)
	}
	defer answer.Body.Close() //nolint:errcheck // it was read
	if answer.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("issuer: keys: answered %d", answer.StatusCode)
	}
	return readKeys(answer.Body)
}

// readKeys reads a key set (RFC 7517, 5) and leaves out what signs nothing here:
// keys it does not understand (as RFC 7517, 5 asks), of encryption, with a secret
// half or none, and RSA keys that are too short (RFC 7518, 3.3).
func readKeys(body io.Reader) ([]jose.JSONWebKey, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.NewDecoder(body).Decode(&set); err != nil {
		return nil, fmt.Errorf("issuer: keys: %w", err)
	}
	var out []jose.JSONWebKey
	for _, text := range set.Keys {
		var key jose.JSONWebKey
		if key.UnmarshalJSON(text) != nil || !key.Valid() || !key.IsPublic() || key.Use != "" && key.Use != "sig" {
			continue
		}
		if short, ok := key.Key.(*rsa.PublicKey); ok && short.N.BitLen() < 2048 {
			continue
		}
		out = append(out, key)
	}
	if len(out) == 0 {
		return nil, errors.New("issuer: keys: none of them can be used")
	}
	return slices.Clip(out), nil
}

// bounded reads no more of an answer than is sensible.
type bounded struct{ http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := b.RoundTripper.RoundTrip(r)
	if err == nil {
		answer.Body = http.MaxBytesReader(nil, answer.Body, largest)
	}
	return answer, err
}
