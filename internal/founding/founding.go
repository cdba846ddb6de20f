// Package founding makes a new club with its first officer, that officer's
// token, the joint templates and the procedures that every club begins with. It runs as the owner of the schema, since no club exists yet behind
// whose fence the application role could act.
package founding

import (
	"context"
	"fmt"
	"regexp"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/access"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/money"
	"pinwright/internal/club"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/procedure"
	"pinwright/internal/vehicle"
)

// Charter is what a club begins with.
type Charter struct {
	Slug          string // serves as the club's id in addresses
	Name          string
	Currency      string // ISO 4217
	Units         string // mm, um, in or thou
	OfficerNumber string
	OfficerName   string
	TokenLife     time.Duration // of the first token; access.DefaultLife when zero
}

// Club is what was founded.
type Club struct {
	ClubID    uuid.UUID
	OfficerID uuid.UUID
	Secret    access.Secret
	ExpiresAt time.Time
}

var slug = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{1,59}$`)

func (c *Charter) check() error {
	if !slug.MatchString(c.Slug) {
		return fmt.Errorf("slug %q: use 2 to 60 small letters, digits and dashes, beginning with a letter or digit", c.Slug)
	}
	if _, err := money.ParseCurrency(c.Currency); err != nil {
		return fmt.Errorf("currency %q: %w", c.Currency, err)
	}
	if _, err := length.ParseUnit(c.Units); err != nil {
		return fmt.Errorf("units %q: %w", c.Units, err)
	}
	if c.Name == "" || c.OfficerNumber == "" || c.OfficerName == "" {
		return fmt.Errorf("a club needs a name, and its first officer a number and a name")
	}
	if c.TokenLife == 0 {
		c.TokenLife = access.DefaultLife
	}
	return nil
}

// Create founds a club. db is connected as the owner of the schema.
func Create(ctx context.Context, db *postgres.DB, c Charter, now time.Time) (Club, error) {
	if err := c.check(); err != nil {
		return Club{}, err
	}
	id, officer := uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
	secret := access.NewSecret(id)
	out := Club{ClubID: id, OfficerID: officer, Secret: secret, ExpiresAt: now.Add(c.TokenLife)}
	err := db.Write(ctx, id, now, func(*postgres.Batch) {}, func(tx *postgres.Tx) error {
		tx.Queue(`insert into club (club_id, slug, name, currency, units, created_at) values ($1, $2, $3, $4, $5, $6)`, id, c.Slug, c.Name, c.Currency, c.Units, now)
		tx.Queue(`insert into head (club_id) values ($1)`, id)
		journal.Append(tx, journal.Event{Type: "club.founded", Subject: id, Version: 1, Audience: journal.ForClub, Actor: officer}, c.Slug)
		club.AddMember(tx, officer, club.Member{ID: officer, Number: c.OfficerNumber, Name: c.OfficerName, Roles: []string{"member", "officer"}, Version: 1})
		access.Issue(tx, officer, access.Token{ID: uuid.Must(uuid.NewV7()), MemberID: officer, Label: "first officer", Kind: "personal",
			Scopes: []string{"write"}, CreatedAt: now, ExpiresAt: out.ExpiresAt, Fingerprint: []byte{}}, secret)
		for _, t := range vehicle.ShippedTemplates() {
			t.ID = uuid.Must(uuid.NewV7())
			vehicle.AddTemplate(tx, officer, t)
		}
		for _, p := range procedure.Shipped() {
			p.ID = uuid.Must(uuid.NewV7())
			procedure.Add(tx, officer, p, "")
		}
		return nil
	})
	return out, err
}
