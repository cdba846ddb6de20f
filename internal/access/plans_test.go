package access_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/access"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	db := pgtest.New(t)
	c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "hollow-lane", Name: "Hollow Lane Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Odile Farrow"}, now)
	if err != nil {
		t.Fatal(err)
	}
	// 20,000 tokens of 2,000 members, and 2,000 clubs with ten tokens each beside it.
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 2000) n;
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'm' || n, 'Member', '{member}' from club, generate_series(1, case slug when 'hollow-lane' then 2000 else 1 end) n;
		insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint)
		select club_id, sha256(convert_to(id::text || n, 'UTF8')), gen_random_uuid(), id, 'phone', 'device', '{read}', '2026-01-01', '2027-01-01', '' from member, generate_series(1, 10) n;
		insert into invitation (club_id, id, hash, salt, name, roles, invited_by, created_at, expires_at, fingerprint)
		select club_id, id, sha256(convert_to(id::text, 'UTF8')), sha256(''), 'Guest', '{member}', id, '2026-01-01', '2026-01-08', '' from member;
		insert into pairing (club_id, id, hash, salt, member_id, label, scopes, created_at, expires_at, fingerprint)
		select club_id, id, sha256(convert_to(id::text, 'UTF8')), sha256(''), id, 'phone', '{read}', '2026-01-01', '2026-01-01 00:10', '' from member;
		update token t set invitation_id = t.member_id, pairing_id = t.member_id from (select distinct on (club_id, member_id) club_id, id from token where label = 'phone') as one where one.club_id = t.club_id and one.id = t.id;
		insert into member_identity (club_id, hash, id, member_id, issuer, subject, linked_at)
		select club_id, sha256(convert_to('https://issuer.example' || ' ' || id, 'UTF8')), id, id, 'https://issuer.example', id, '2026-01-01' from member;
		analyze`); err != nil {
		t.Fatal(err)
	}
	token, _ := access.ReadToken(c.Secret.Reveal())
	invited, _ := access.ReadCode(access.Invites, access.NewCode(access.Invites, c.ClubID).Reveal())
	paired, _ := access.ReadCode(access.Pairs, access.NewCode(access.Pairs, c.ClubID).Reveal())
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), c.ClubID, queue) }
	}
	pgtest.HoldPlans(t, db, c.ClubID, []pgtest.Listing{
		{Name: "who calls", Index: "token_pkey", Run: queued(func(b *postgres.Batch) { access.Who(b, token, now) })},
		{Name: "whom an issuer vouches for", Index: "member_identity_pkey", Run: queued(func(b *postgres.Batch) {
			access.Who(b, access.VouchedFor(c.ClubID, "https://issuer.example", "s"), now)
		})},
		{Name: "who invites", Index: "invitation_hash", Run: queued(func(b *postgres.Batch) { access.Who(b, invited, now) })},
		{Name: "who pairs", Index: "pairing_hash", Run: queued(func(b *postgres.Batch) { access.Who(b, paired, now) })},
		{Name: "the list of tokens", Index: "token_id", Run: queued(func(b *postgres.Batch) { access.ListTokens(b, token, uuid.Max, 101) })},
		{Name: "the list of invitations", Index: "invitation_pkey", Run: queued(func(b *postgres.Batch) { access.ListInvitations(b, uuid.Max, 101) })},
		{Name: "an invitation and who came of it", Index: "token_of_invitation", Run: queued(func(b *postgres.Batch) { access.FindInvitation(b, uuid.Max) })},
		{Name: "the list of identities", Index: "member_identity_id", Run: queued(func(b *postgres.Batch) { access.ListIdentities(b, token, uuid.Max, 101) })},
		{Name: "the token of an invitation", Index: "token_of_invitation", Run: queued(func(b *postgres.Batch) { access.FindExchanged(b, invited) })},
		{Name: "the token of a pairing", Index: "token_of_pairing", Run: queued(func(b *postgres.Batch) { access.FindExchanged(b, paired) })},
	})
}
