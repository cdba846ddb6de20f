// Package issuer checks the JSON Web Tokens of one OpenID Connect issuer: who
// signed them, for whom, and when they hold. It keeps the issuer's keys at hand and
// says when it cannot tell because the issuer does not answer. It does not know
// members or clubs.
package issuer

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
)

// algorithms are what a token may be signed by: with a key of two halves, of
// which the service has the public one. None and HMAC are not among them: a
// public key taken for an HMAC secret would let anybody sign (RFC 8725, 2.1).
var algorithms = []jose.SignatureAlgorithm{
	jose.RS256, jose.RS384, jose.RS512, jose.PS256, jose.PS384, jose.PS512, jose.ES256, jose.ES384, jose.ES512, jose.EdDSA,
}

// longest is the longest token that is looked at, in bytes.
const longest = 8 << 10

// Options say whose tokens are taken.
type Options struct {
	URL      string        // the issuer's identifier, exactly as in the claim iss
	Audience string        // what must stand in the claim aud
	Leeway   time.Duration // by which clocks may differ
	Now      func() time.Time
	// Transport carries requests to the issuer; default http.DefaultTransport.
	Transport http.RoundTripper
}

// Issuer checks tokens. Making one asks nothing of the issuer.
type Issuer struct {
	options Options
	keys    *keys
}

// New makes an Issuer.
func New(o Options) *Issuer {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Transport == nil {
		o.Transport = http.DefaultTransport
	}
	return &Issuer{options: o, keys: newKeys(o)}
}

// URL is the issuer's identifier.
func (i *Issuer) URL() string { return i.options.URL }

// Vouch returns whom token is about, by the issuer's own name for them. An error that
// is a problem.Unavailable says that it cannot be told now; any other
// that the token is not to be trusted.
func (i *Issuer) Vouch(ctx context.Context, token string) (subject string, err error) {
	if len(token) > longest {
		return "", fmt.Errorf("issuer: the token has %d bytes, at most %d are looked at", len(token), longest)
	}
	names := make([]string, len(algorithms))
	for n, a := range algorithms {
		names[n] = string(a)
	}
	found := &remembered{keys: i.keys} // the verifier keeps an error's text only
	// Time is checked below: the library's leeway is fixed, and none for exp.
	claims, err := oidc.NewVerifier(i.options.URL, found, &oidc.Config{ClientID: i.options.Audience, SupportedSigningAlgs: names, SkipExpiryCheck: true}).Verify(ctx, token)
	if err != nil {
		return "", errors.Join(found.err, err)
	}
	var more struct {
		NotBefore *float64 `json:"nbf"`
	}
	if err := claims.Claims(&more); err != nil {
		return "", fmt.Errorf("issuer: claims: %w", err)
	}
	now := i.options.Now()
	switch {
	case !now.Before(claims.Expiry.Add(i.options.Leeway)): // without an end (exp) it has ended long ago
		return "", fmt.Errorf("issuer: the token expired at %s", claims.Expiry)
	case more.NotBefore != nil && *more.NotBefore > float64(now.Add(i.options.Leeway).Unix()):
		return "", fmt.Errorf("issuer: the token holds from %.0f only", *more.NotBefore)
	}
	return claims.Subject, plain(claims.Subject)
}

// plain holds a subject to what OpenID Connect Core 1.0, 2 allows: at most 255
// ASCII characters; of these only printable ones, for no name of a person needs
// others.
func plain(subject string) error {
	if subject == "" || len(subject) > 255 {
		return fmt.Errorf("issuer: a subject of %d characters", len(subject))
	}
	for _, c := range []byte(subject) {
		if c < ' ' || c > '~' {
			return errors.New("issuer: a subject with characters that are not printable ASCII")
		}
	}
	return nil
}

// remembered keeps why a signature was refused.
type remembered struct {
	keys *keys
	err  error
}

func (r *remembered) VerifySignature(ctx context.Context, token string) ([]byte, error) {
	payload, err := r.keys.verify(ctx, token)
	r.err = err
	return payload, err
}
