package access

import (
	"crypto/hkdf"
	"crypto/sha256"

	"github.com/google/uuid"
)

// Purpose is what a code is for.
type Purpose string

// A code invites a person, or pairs a phone with a member who is one already.
const (
	Invites Purpose = "invitation"
	Pairs   Purpose = "pairing"
)

var codePrefix = map[Purpose]string{Invites: "pwi_", Pairs: "pwp_"}

// Code is the text that is exchanged for a token, once. It is spelt like a
// token, so that the club is known before the first query and a secret scanner
// recognises it, and like a token it is kept as its SHA-256 only.
type Code string

// NewCode makes a code of club.
func NewCode(p Purpose, club uuid.UUID) Code { return Code(spell(codePrefix[p], randomFor(club))) }

// Club reads the club out of the text; false when it is no code for p.
func (c Code) Club(p Purpose) (uuid.UUID, bool) { return clubIn(codePrefix[p], string(c)) }

// Hash is what is kept of the code.
func (c Code) Hash() []byte { return hashOf(string(c)) }

// String hides the code from logs.
func (c Code) String() string { return "pw…" }

// Reveal returns the text, for the one answer that shows it.
func (c Code) Reveal() string { return string(c) }

// Token is the token that c is exchanged for by a request with that
// fingerprint: the same each time, so that a lost answer can be given again
// though nobody has kept the token. It is made by HKDF (RFC 5869) of the code
// with salt, which never leaves the database, for the request, whose key only
// the one who sent it knows: who has seen the code cannot make the token from it, nor
// can who has seen the database.
func (c Code) Token(club uuid.UUID, salt, request []byte) Secret {
	key, err := hkdf.Key(sha256.New, []byte(c), salt, "pinwright token\n"+string(request), secretBytes)
	if err != nil {
		panic("access: " + err.Error()) // only for a length beyond 255 hashes
	}
	return Secret(spell(prefix, append(club[:], key...)))
}
