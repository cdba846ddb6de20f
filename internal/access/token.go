// Package access says who a caller is: tokens with their club, scopes and
// expiry, and the member behind them; the codes that are exchanged for tokens
// (an invitation's, a pairing's); and whom an OpenID Connect issuer vouches for.
//
// A token's text is pw_<base64url(club id, 32 random bytes)>_<CRC-32 of that>:
// the club is known before the first query, a secret scanner recognises it by prefix and checksum, and
// only its SHA-256 is kept (256 random bits need no slow hash: OWASP ASVS 5.0,
// 6.5.2).
package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"hash/crc32"
	"strings"

	"github.com/google/uuid"
)

const (
	prefix      = "pw_"
	secretBytes = 32
)

// Secret is a token's text.
type Secret string

// NewSecret makes a token for club.
func NewSecret(club uuid.UUID) Secret { return Secret(spell(prefix, randomFor(club))) }

// Club reads the club out of the text; false when it is no token.
func (s Secret) Club() (uuid.UUID, bool) { return clubIn(prefix, string(s)) }

// Hash is what is kept of the token.
func (s Secret) Hash() []byte { return hashOf(string(s)) }

// String hides the secret from logs.
func (s Secret) String() string { return prefix + "…" }

// Reveal returns the text, for the one answer that shows it.
func (s Secret) Reveal() string { return string(s) }

func randomFor(club uuid.UUID) []byte {
	raw := make([]byte, 16+secretBytes)
	copy(raw, club[:])
	fill(raw[16:])
	return raw
}

func fill(raw []byte) {
	if _, err := rand.Read(raw); err != nil {
		panic("access: no randomness: " + err.Error()) // crypto/rand never fails on the systems served
	}
}

func spell(prefix string, raw []byte) string {
	body := base64.RawURLEncoding.EncodeToString(raw)
	return fmt.Sprintf("%s%s_%08x", prefix, body, crc32.ChecksumIEEE([]byte(body)))
}

func clubIn(prefix, text string) (uuid.UUID, bool) {
	rest, ok := strings.CutPrefix(text, prefix)
	if !ok || len(rest) != 64+9 || rest[64] != '_' {
		return uuid.Nil, false
	}
	raw, err := base64.RawURLEncoding.DecodeString(rest[:64])
	if err != nil || spell(prefix, raw) != text {
		return uuid.Nil, false
	}
	return uuid.UUID(raw[:16]), true
}

func hashOf(text string) []byte {
	sum := sha256.Sum256([]byte(text))
	return sum[:]
}
