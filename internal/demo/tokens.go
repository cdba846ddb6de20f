package demo

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/access"
	"pinwright/internal/founding"
	"pinwright/internal/postgres"
)

// Founded is the demo's club in the database.
type Founded struct {
	ClubID  uuid.UUID
	Existed bool
	Officer string // a token, when the club was founded just now
}

// life of the demo's tokens.
const life = 24 * time.Hour

// label marks the demo's own tokens, so that the next start revokes these and
// no others.
const label = "demo"

// Found founds the club, or finds it. owner logs in as the owner of the schema.
func Found(ctx context.Context, owner *pgxpool.Pool, c Club, now time.Time) (Founded, error) {
	var id uuid.UUID
	err := owner.QueryRow(ctx, `select coalesce((select club_id from club where slug = $1 order by club_id limit 1), $2)`, c.Slug, uuid.Nil).Scan(&id)
	if err != nil {
		return Founded{}, err
	}
	if id != uuid.Nil {
		// A start that was cut off while loading leaves a club that is not whole.
		var whole bool
		err := owner.QueryRow(ctx, `select exists (select from reading where club_id = $1)`, id).Scan(&whole)
		if err != nil || whole {
			return Founded{ClubID: id, Existed: true}, err
		}
		if _, err := owner.Exec(ctx, `update club set slug = slug || '-' || left(club_id::text, 8) where club_id = $1`, id); err != nil {
			return Founded{}, err
		}
	}
	made, err := founding.Create(ctx, &postgres.DB{Pool: owner}, founding.Charter{Slug: c.Slug, Name: c.Name, Currency: c.Currency, Units: c.Units,
		OfficerNumber: c.Officer.Number, OfficerName: c.Officer.Name, TokenLife: life}, now)
	return Founded{ClubID: made.ClubID, Officer: made.Secret.Reveal()}, err
}

// DayTokens makes a token for a day for one member of each role, and revokes
// those of earlier starts.
func DayTokens(ctx context.Context, owner *pgxpool.Pool, c Club, f Founded, now time.Time) (Tokens, error) {
	var t Tokens
	holders := map[string]*string{"02": &t.Member, "03": &t.Rival, "04": &t.ToolKeeper, "05": &t.Treasurer, "06": &t.Auditor, c.Officer.Number: &t.Officer}
	numbers := []string{"02", "03", "04", "05", "06", c.Officer.Number}
	type row struct {
		Number string
		ID     uuid.UUID
	}
	var members *postgres.Rows[row]
	var earlier *postgres.Rows[access.Token]
	db := &postgres.DB{Pool: owner}
	err := db.Write(ctx, f.ClubID, now, func(b *postgres.Batch) {
		members = postgres.Query[row](b, `select number, id from member where club_id = $1 and number = any($2) order by number`, b.Club, numbers)
		earlier = access.ListByLabel(b, label)
	}, func(tx *postgres.Tx) error {
		for _, old := range earlier.Items {
			access.Revoke(tx, old.MemberID, old)
		}
		for _, m := range members.Items {
			secret := access.NewSecret(f.ClubID)
			access.Issue(tx, m.ID, access.Token{ID: uuid.Must(uuid.NewV7()), MemberID: m.ID, Label: label, Kind: "personal", Scopes: []string{"write"},
				CreatedAt: now, ExpiresAt: now.Add(life), Fingerprint: []byte{}}, secret)
			*holders[m.Number] = secret.Reveal()
		}
		return nil
	})
	return t, err
}
