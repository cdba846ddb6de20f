// Package issuertest is an OpenID Connect issuer on this machine, for tests: it
// answers discovery and keys, signs tokens, rotates its keys and fails on demand. It
// signs with another library than the service checks with.
package issuertest

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
)

// Audience is what the tokens are for, unless their claims say else.
const Audience = "pinwright-test"

// Claims are a token's claims.
type Claims = jwt.MapClaims

// Issuer is an issuer that listens on this machine.
type Issuer struct {
	URL string
	t   testing.TB

	mu    sync.Mutex
	key   *ecdsa.PrivateKey
	kid   string
	more  []map[string]any // further keys that it tells of
	waits func()
	fails http.HandlerFunc
	asked int
}

// New starts an issuer that ends with the test.
func New(t testing.TB) *Issuer {
	t.Helper()
	i := &Issuer{t: t}
	i.Rotate()
	server := httptest.NewServer(http.HandlerFunc(i.serve))
	t.Cleanup(server.Close)
	i.URL = server.URL
	return i
}

func (i *Issuer) serve(w http.ResponseWriter, r *http.Request) {
	i.mu.Lock()
	waits, fails := i.waits, i.fails
	i.mu.Unlock()
	if waits != nil {
		waits()
	}
	if fails != nil {
		fails(w, r)
		return
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	var doc any
	switch r.URL.Path {
	case "/.well-known/openid-configuration":
		doc = map[string]any{"issuer": i.URL, "jwks_uri": i.URL + "/keys"}
	case "/keys":
		i.asked++
		doc = map[string]any{"keys": append([]map[string]any{JWK(&i.key.PublicKey, i.kid)}, i.more...)}
	default:
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	if err := json.NewEncoder(w).Encode(doc); err != nil {
		i.t.Error(err)
	}
}

// JWK is a public key of the curve P-256 as RFC 7517 and 7518, 6.2.1 write it.
func JWK(key *ecdsa.PublicKey, kid string) map[string]any {
	point, err := key.Bytes() // 4, x, y (SEC 1, 2.3.3)
	if err != nil {
		panic(err)
	}
	text := base64.RawURLEncoding.EncodeToString
	return map[string]any{"kty": "EC", "crv": "P-256", "use": "sig", "kid": kid, "x": text(point[1:33]), "y": text(point[33:])}
}

// Rotate replaces the key by a new one, under a new name.
func (i *Issuer) Rotate() {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		i.t.Fatal(err)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.key, i.kid = key, fmt.Sprintf("key-%p", key)
}

// Tell adds keys to those that the issuer tells of.
func (i *Issuer) Tell(keys ...map[string]any) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.more = append(i.more, keys...)
}

// Fail has every request answered by how, until Mend; nil answers 500.
func (i *Issuer) Fail(how http.HandlerFunc) {
	if how == nil {
		how = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusInternalServerError) }
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.fails = how
}

// Wait has every request wait until f returns.
func (i *Issuer) Wait(f func()) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.waits = f
}

// Mend ends Fail.
func (i *Issuer) Mend() {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.fails = nil
}

// Asked is how often the keys were asked for.
func (i *Issuer) Asked() int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.asked
}

// About are the claims of a token about subject that holds for an hour, with
// those in more in place of or beside the usual; a nil one takes a claim out.
func (i *Issuer) About(subject string, now time.Time, more Claims) Claims {
	c := Claims{"iss": i.URL, "aud": Audience, "sub": subject, "iat": now.Unix(), "exp": now.Add(time.Hour).Unix()}
	maps.Copy(c, more)
	maps.DeleteFunc(c, func(_ string, v any) bool { return v == nil })
	return c
}

// Sign signs claims with the key of now.
func (i *Issuer) Sign(claims Claims) string {
	i.mu.Lock()
	key, kid := i.key, i.kid
	i.mu.Unlock()
	return i.SignWith(jwt.SigningMethodES256, key, kid, claims)
}

// SignWith signs claims with any key, under any name; an empty one is left out.
func (i *Issuer) SignWith(method jwt.SigningMethod, key any, kid string, claims Claims) string {
	i.t.Helper()
	token := jwt.NewWithClaims(method, claims)
	if kid != "" {
		token.Header["kid"] = kid
	}
	text, err := token.SignedString(key)
	if err != nil {
		i.t.Fatal(err)
	}
	return text
}

// Key is the public key of now, and its name.
func (i *Issuer) Key() (crypto.PublicKey, string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	return &i.key.PublicKey, i.kid
}
