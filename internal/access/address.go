package access

import "github.com/google/uuid"

// Address is the secret part of an address that shows something to whoever has
// it. It is spelt like a token, so that the club is known before the first query
// and a secret scanner recognises it, and like a token it is kept as its SHA-256
// only; it signs nobody in.
type Address string

const addressPrefix = "pwa_"

// NewAddress makes an address in club, with 256 random bits.
func NewAddress(club uuid.UUID) Address { return Address(spell(addressPrefix, randomFor(club))) }

// Club reads the club out of the text; false when it is no address.
func (a Address) Club() (uuid.UUID, bool) { return clubIn(addressPrefix, string(a)) }

// Hash is what is kept of the address.
func (a Address) Hash() []byte { return hashOf(string(a)) }

// String hides the address from logs.
func (a Address) String() string { return addressPrefix + "…" }

// Reveal returns the text, for the one answer that shows it.
func (a Address) Reveal() string { return string(a) }
