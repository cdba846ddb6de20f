package access_test

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"strings"
	"testing"

	"github.com/google/uuid"

	"pinwright/internal/access"
)

// hkdfByHand is HKDF-SHA256 as RFC 5869, 2.2 and 2.3 write it, for one block.
func hkdfByHand(secret, salt, info []byte) []byte {
	mac := func(key []byte, parts ...[]byte) []byte {
		h := hmac.New(sha256.New, key)
		for _, p := range parts {
			h.Write(p)
		}
		return h.Sum(nil)
	}
	return mac(mac(salt, secret), info, []byte{1})
}

// The construction by hand is held against RFC 5869, appendix A.1 (its first 32
// bytes), and the token against the construction.
func TestTokenOfACodeIsHKDFOfCodeSaltAndRequest(t *testing.T) {
	t.Parallel()
	fromHex := func(s string) []byte {
		out, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	got := hkdfByHand(bytes.Repeat([]byte{0x0b}, 22), fromHex("000102030405060708090a0b0c"), fromHex("f0f1f2f3f4f5f6f7f8f9"))
	if want := fromHex("3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf"); !bytes.Equal(got, want) {
		t.Fatalf("RFC 5869, A.1: %x, want %x", got, want)
	}

	club := uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b5")
	code := access.NewCode(access.Invites, club)
	salt, request := []byte("salt of thirty-two bytes, about."), []byte("a request's fingerprint")
	raw := append(club[:], hkdfByHand([]byte(code.Reveal()), salt, append([]byte("pinwright token\n"), request...))...)
	body := base64.RawURLEncoding.EncodeToString(raw)
	want := fmt.Sprintf("pw_%s_%08x", body, crc32.ChecksumIEEE([]byte(body)))
	secret := code.Token(club, salt, request)
	if secret.Reveal() != want {
		t.Errorf("%s, want %s", secret.Reveal(), want)
	}
	if got, ok := secret.Club(); !ok || got != club {
		t.Errorf("the token is of club %s (%v), want %s", got, ok, club)
	}
	other := map[string]access.Secret{
		"another code":    access.NewCode(access.Invites, club).Token(club, salt, request),
		"another salt":    code.Token(club, []byte("another"), request),
		"another request": code.Token(club, salt, []byte("another")),
	}
	for what, s := range other {
		if s == secret {
			t.Errorf("%s gives the same token", what)
		}
	}
}

func TestCodesAreReadOnlyAsWhatTheyAreFor(t *testing.T) {
	t.Parallel()
	club := uuid.New()
	for _, p := range []access.Purpose{access.Invites, access.Pairs} {
		text := access.NewCode(p, club).Reveal()
		for _, other := range []access.Purpose{access.Invites, access.Pairs} {
			if _, ok := access.ReadCode(other, text); ok != (p == other) {
				t.Errorf("the code of a %s is read as that of a %s: %v", p, other, ok)
			}
		}
		if _, ok := access.ReadToken(text); ok {
			t.Errorf("the code of a %s is read as a token", p)
		}
		if shown := fmt.Sprint(access.Code(text)); strings.Contains(text, shown[3:]) && len(shown) > 6 {
			t.Errorf("a printed code shows %q", shown)
		}
	}
	if _, ok := access.ReadCode(access.Invites, access.NewSecret(club).Reveal()); ok {
		t.Error("a token is read as a code")
	}
}

// FuzzReadingCodes holds that whatever is read as a code or token is spelt in
// the one way that it is spelt.
func FuzzReadingCodes(f *testing.F) {
	club := uuid.MustParse("0192f0c1-2a3b-7c4d-8e5f-60718293a4b5")
	for _, seed := range []string{"", "pwi_", "pw_" + strings.Repeat("A", 64) + "_00000000", access.NewCode(access.Pairs, club).Reveal(),
		access.NewCode(access.Invites, club).Reveal(), access.NewSecret(club).Reveal(), access.NewSecret(club).Reveal() + "\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		read := 0
		for _, p := range []access.Purpose{access.Invites, access.Pairs} {
			if b, ok := access.ReadCode(p, text); ok {
				read++
				if b.Club == uuid.Nil && !strings.Contains(text, "AAAAAAAAAAAAAAAAAAAAA") {
					t.Errorf("%q has no club", text)
				}
			}
		}
		if _, ok := access.ReadToken(text); ok {
			read++
		}
		if read > 1 {
			t.Errorf("%q is read in %d ways", text, read)
		}
		if read == 1 {
			_, rest, _ := strings.Cut(text, "_")
			body := rest[:64]
			if rest != fmt.Sprintf("%s_%08x", body, crc32.ChecksumIEEE([]byte(body))) {
				t.Errorf("%q is read, though its checksum is another", text)
			}
		}
	})
}
