package issuer_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"math/big"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"pinwright/internal/issuer"
	"pinwright/internal/issuertest"
	"pinwright/internal/problem"
)

// clock is a clock that stands until it is set.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

const leeway = time.Minute

func newIssuer(t *testing.T) (*issuertest.Issuer, *issuer.Issuer, *clock) {
	t.Helper()
	c := &clock{at: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)}
	i := issuertest.New(t)
	return i, issuer.New(issuer.Options{URL: i.URL, Audience: issuertest.Audience, Leeway: leeway, Now: c.now}), c
}

func vouched(t *testing.T, v *issuer.Issuer, token string) {
	t.Helper()
	if subject, err := v.Vouch(t.Context(), token); err != nil || subject != "person-7" {
		t.Errorf("%q, %v, want person-7", subject, err)
	}
}

// refused holds that token is not trusted, and that this is known for sure.
func refused(t *testing.T, what string, v *issuer.Issuer, token string) {
	t.Helper()
	subject, err := v.Vouch(t.Context(), token)
	if err == nil || problem.Is(err, problem.Unavailable) {
		t.Errorf("%s: %q, %v, want it refused", what, subject, err)
	}
	if err != nil && len(token) > 40 && strings.Contains(err.Error(), token[len(token)-20:]) {
		t.Errorf("%s: the error shows the token: %v", what, err)
	}
}

func TestTokensAreTakenByTheirClaims(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	now := c.now()
	at := func(d time.Duration) int64 { return now.Add(d).Unix() }
	for what, claims := range map[string]issuertest.Claims{
		"as usual":                      nil,
		"for several, us among them":    {"aud": []string{"another", issuertest.Audience}},
		"expired within the leeway":     {"exp": at(-leeway + time.Second)},
		"not yet valid, within leeway":  {"nbf": at(leeway)},
		"without iat":                   {"iat": nil},
		"with a fraction of a second":   {"exp": float64(at(time.Hour)) + 0.5, "nbf": float64(at(0)) - 0.5},
		"with claims we do not look at": {"nonce": "n", "email": "x@example.org", "roles": []string{"officer"}},
	} {
		t.Run(what, func(t *testing.T) { vouched(t, v, i.Sign(i.About("person-7", now, claims))) })
	}
	for what, claims := range map[string]issuertest.Claims{
		"for another audience":        {"aud": "another"},
		"for no audience":             {"aud": nil},
		"of another issuer":           {"iss": i.URL + "/other"},
		"of an issuer spelt with /":   {"iss": i.URL + "/"},
		"of no issuer":                {"iss": nil},
		"expired to the second":       {"exp": at(-leeway)},
		"without an end":              {"exp": nil},
		"not yet valid":               {"nbf": at(leeway + time.Second)},
		"about nobody":                {"sub": nil},
		"about nobody, empty":         {"sub": ""},
		"about a name with NUL":       {"sub": "person\x00-7"},
		"about a name with line ends": {"sub": "person\n7"},
		"about a name beyond ASCII":   {"sub": "persön"},
		"about a name that is long":   {"sub": strings.Repeat("x", 256)},
		"about a number":              {"sub": 7},
	} {
		refused(t, what, v, i.Sign(i.About("person-7", now, claims)))
	}
	if n := i.Asked(); n != 1 {
		t.Errorf("the keys were asked for %d times, want once", n)
	}
}

// The attacks of RFC 8725 (JSON Web Token Best Current Practices), 2, and what is
// no token at all.
func TestForgedTokensAreRefused(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	claims := i.About("person-7", c.now(), nil)
	good := i.Sign(claims)
	vouched(t, v, good)
	public, kid := i.Key()
	der, err := x509.MarshalPKIXPublicKey(public)
	if err != nil {
		t.Fatal(err)
	}
	inPEM := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
	stranger, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.Split(good, ".")
	text := base64.RawURLEncoding.EncodeToString
	for what, token := range map[string]string{
		"alg none":                             i.SignWith(jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType, kid, claims),
		"alg none, the signature left":         text([]byte(`{"alg":"none"}`)) + "." + parts[1] + "." + parts[2],
		"alg None":                             text([]byte(`{"alg":"None","kid":"`+kid+`"}`)) + "." + parts[1] + ".",
		"HMAC with the public key, PEM":        i.SignWith(jwt.SigningMethodHS256, inPEM, kid, claims),
		"HMAC with the public key, DER":        i.SignWith(jwt.SigningMethodHS256, der, kid, claims),
		"HMAC with nothing":                    i.SignWith(jwt.SigningMethodHS256, []byte{}, kid, claims),
		"a stranger's key under the real name": i.SignWith(jwt.SigningMethodES256, stranger, kid, claims),
		"a stranger's key without a name":      i.SignWith(jwt.SigningMethodES256, stranger, "", claims),
		"a stranger's key in the header": func() string {
			token := jwt.NewWithClaims(jwt.SigningMethodES256, claims)
			token.Header["jwk"] = issuertest.JWK(&stranger.PublicKey, "mine")
			signed, err := token.SignedString(stranger)
			if err != nil {
				t.Fatal(err)
			}
			return signed
		}(),
		"no signature":               parts[0] + "." + parts[1] + ".",
		"another payload":            parts[0] + "." + text([]byte(`{"sub":"officer"}`)) + "." + parts[2],
		"a damaged signature":        good[:len(good)-4] + "AAAA",
		"two parts":                  parts[0] + "." + parts[1],
		"four parts":                 good + "." + parts[2],
		"five parts, as encrypted":   good + "." + parts[2] + "." + parts[2],
		"JSON":                       `{"payload":"` + parts[1] + `","protected":"` + parts[0] + `","signature":"` + parts[2] + `"}`,
		"nothing":                    "",
		"dots":                       "..",
		"garbage":                    "xxxxx.yyyyy.zzzzz",
		"a token that is very long":  parts[0] + "." + strings.Repeat("A", 8<<10) + "." + parts[2],
		"a header that is no object": text([]byte(`[]`)) + "." + parts[1] + "." + parts[2],
		"a space behind it":          good + " x",
	} {
		refused(t, what, v, token)
	}
	// The pause is over, so a name that is not known is asked for, in vain.
	c.advance(time.Minute)
	refused(t, "a stranger's key under a name of its own", v, i.SignWith(jwt.SigningMethodES256, stranger, "mine", claims))
	vouched(t, v, good)
}

// Keys that the issuer tells of and that must sign nothing.
func TestKeysThatMayNotSignAreLeftOut(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	text := base64.RawURLEncoding.EncodeToString
	short, err := rsa.GenerateKey(rand.Reader, 1024)
	if err != nil {
		t.Fatal(err)
	}
	long, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	edPublic, edPrivate, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	sealing, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	inRSA := func(k *rsa.PublicKey, kid string) map[string]any {
		return map[string]any{"kty": "RSA", "kid": kid, "n": text(k.N.Bytes()), "e": text(big.NewInt(int64(k.E)).Bytes())}
	}
	forSealing := issuertest.JWK(&sealing.PublicKey, "sealing")
	forSealing["use"] = "enc"
	declared := inRSA(&long.PublicKey, "declared")
	declared["alg"] = "RS256"
	i.Tell(declared, inRSA(&short.PublicKey, "short"), inRSA(&long.PublicKey, "long"), forSealing,
		map[string]any{"kty": "oct", "kid": "secret", "k": text([]byte("a secret of thirty-two bytes or more"))},
		map[string]any{"kty": "OKP", "crv": "Ed25519", "kid": "ed", "x": text(edPublic)},
		map[string]any{"kty": "of tomorrow", "kid": "new"}, // RFC 7517, 5: keys that are not understood are ignored
	)
	claims := i.About("person-7", c.now(), nil)
	vouched(t, v, i.Sign(claims))
	vouched(t, v, i.SignWith(jwt.SigningMethodRS256, long, "long", claims))
	vouched(t, v, i.SignWith(jwt.SigningMethodPS384, long, "long", claims))
	vouched(t, v, i.SignWith(jwt.SigningMethodEdDSA, edPrivate, "ed", claims))
	vouched(t, v, i.SignWith(jwt.SigningMethodEdDSA, edPrivate, "", claims)) // any key may be meant
	vouched(t, v, i.SignWith(jwt.SigningMethodRS256, long, "declared", claims))
	refused(t, "an algorithm that the key is not for (RFC 8725, 3.1)", v, i.SignWith(jwt.SigningMethodPS384, long, "declared", claims))
	refused(t, "an RSA key of 1024 bits", v, i.SignWith(jwt.SigningMethodRS256, short, "short", claims))
	refused(t, "a key of encryption", v, i.SignWith(jwt.SigningMethodES256, sealing, "sealing", claims))
	refused(t, "a shared secret", v, i.SignWith(jwt.SigningMethodHS256, []byte("a secret of thirty-two bytes or more"), "secret", claims))
}

func TestRotatedKeysAreFollowed(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	about := func() issuertest.Claims { return i.About("person-7", c.now(), nil) }
	old := i.Sign(about())
	vouched(t, v, old)
	i.Rotate()
	fresh := i.Sign(about())
	refused(t, "a new key within the pause", v, fresh)
	vouched(t, v, old)
	c.advance(11 * time.Second)
	vouched(t, v, fresh)
	refused(t, "a key that the issuer has withdrawn", v, old)
	// A withdrawn key is noticed without a new one being presented, too.
	c.advance(time.Second)
	kept := i.Sign(about())
	vouched(t, v, kept)
	i.Rotate()
	c.advance(9 * time.Minute)
	vouched(t, v, kept)
	c.advance(2 * time.Minute)
	refused(t, "a key that was withdrawn eleven minutes ago", v, kept)
}

// Whoever makes up names of keys makes no load on the issuer.
func TestNamesOfKeysThatAreMadeUpAskTheIssuerRarely(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	stranger, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	claims := i.About("person-7", c.now(), nil)
	made := i.SignWith(jwt.SigningMethodES256, stranger, "made-up", claims)
	var group sync.WaitGroup
	for range 200 {
		group.Go(func() { refused(t, "made up", v, made) })
	}
	group.Wait()
	if n := i.Asked(); n != 1 {
		t.Errorf("200 at once asked the issuer %d times, want once", n)
	}
	for range 6 {
		for range 20 {
			refused(t, "made up", v, made)
		}
		c.advance(10 * time.Second)
	}
	if n := i.Asked(); n > 7 {
		t.Errorf("in a minute the issuer was asked %d times, want 7 at most", n)
	}
	vouched(t, v, i.Sign(claims))
}

func unavailable(t *testing.T, what string, v *issuer.Issuer, token string) {
	t.Helper()
	_, err := v.Vouch(t.Context(), token)
	p, ok := problem.As(err)
	if !ok || p.Kind.Code != problem.Unavailable.Code || p.RetryAfter <= 0 || p.RetryAfter > 10*time.Second || p.Cause == nil {
		t.Errorf("%s: %v (%+v), want that it cannot be told now, and when to ask again", what, err, p)
	}
}

func TestAnIssuerThatDoesNotAnswerCannotBeAskedNow(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	token := func() string { return i.Sign(i.About("person-7", c.now(), nil)) }
	public, kid := i.Key()
	says := func(text string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(text)) }
	}
	discovery := `{"issuer":"` + i.URL + `","jwks_uri":"` + i.URL + `/keys"}`
	keys, err := json.Marshal(map[string]any{"keys": []any{issuertest.JWK(public.(*ecdsa.PublicKey), kid)}})
	if err != nil {
		t.Fatal(err)
	}
	// whole answers as it should, with something before the documents.
	whole := func(before string) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			_, _ = w.Write([]byte(before))
			if strings.HasSuffix(r.URL.Path, "/keys") {
				_, _ = w.Write(keys)
			} else {
				_, _ = w.Write([]byte(discovery))
			}
		}
	}
	for what, how := range map[string]http.HandlerFunc{
		"fails":                    nil,
		"answers garbage":          says("<html>"),
		"is somebody else":         says(`{"issuer":"https://else.example","jwks_uri":"https://else.example/keys"}`),
		"keeps its keys in a file": says(`{"issuer":"` + i.URL + `","jwks_uri":"file:///etc/passwd"}`),
		"has no keys":              says(`{"issuer":"` + i.URL + `","jwks_uri":"` + i.URL + `/keys","keys":[]}`),
		"says too much":            whole(strings.Repeat(" ", 1<<20)),
		"sends elsewhere": func(w http.ResponseWriter, r *http.Request) {
			if strings.HasPrefix(r.URL.Path, "/moved") {
				whole("")(w, r)
				return
			}
			http.Redirect(w, r, "/moved"+r.URL.Path, http.StatusFound)
		},
		"hangs up": func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) },
	} {
		i.Fail(how)
		unavailable(t, "an issuer that "+what, v, token())
		c.advance(11 * time.Second)
	}
	refused(t, "garbage, whether the issuer answers or not", v, "xxxxx.yyyyy.zzzzz")
	// So that these prove something, the same documents are taken without their fault.
	other := issuer.New(issuer.Options{URL: i.URL, Audience: issuertest.Audience, Now: c.now})
	i.Fail(whole(" "))
	vouched(t, other, token())
	i.Fail(nil)
	// Within the pause after a failure nothing is asked.
	unavailable(t, "still", v, token())
	asked := i.Asked()
	i.Mend()
	unavailable(t, "mended within the pause", v, token())
	if i.Asked() != asked {
		t.Error("the issuer was asked within the pause")
	}
	c.advance(11 * time.Second)
	vouched(t, v, token())

	// With keys at hand an outage of less than an hour is bridged, but for new keys.
	i.Fail(nil)
	long := i.Sign(i.About("person-7", c.now(), issuertest.Claims{"exp": c.now().Add(24 * time.Hour).Unix()}))
	for range 5 {
		c.advance(11 * time.Minute)
		vouched(t, v, long)
	}
	i.Rotate()
	c.advance(time.Minute)
	unavailable(t, "a new key during the outage", v, token())
	vouched(t, v, long)
	c.advance(10 * time.Minute)
	unavailable(t, "after more than an hour", v, long)
}

func TestWhoeverLeavesDoesNotSpoilItForOthers(t *testing.T) {
	t.Parallel()
	i, v, c := newIssuer(t)
	token := i.Sign(i.About("person-7", c.now(), nil))
	asked, answer := make(chan struct{}), make(chan struct{})
	var once sync.Once
	i.Wait(func() {
		once.Do(func() { close(asked) })
		<-answer
	})
	ctx, leave := context.WithCancel(t.Context())
	left := make(chan error)
	go func() {
		_, err := v.Vouch(ctx, token)
		left <- err
	}()
	<-asked
	leave()
	if err := <-left; !problem.Is(err, problem.Unavailable) {
		t.Errorf("who leaves is told %v", err)
	}
	go func() {
		time.Sleep(10 * time.Millisecond) // until the next one waits; if that is too early, it proves less
		close(answer)
	}()
	vouched(t, v, token) // has the answer that the first did not wait for
	if n := i.Asked(); n != 1 {
		t.Errorf("the issuer was asked %d times, want once", n)
	}
}
