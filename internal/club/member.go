package club

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Member is a person in a club with one or more roles.
type Member struct {
	ID         uuid.UUID
	Number     string
	Name       string
	Roles      []string
	GarageID   *uuid.UUID
	DisabledAt *time.Time
	ErasedAt   *time.Time
	Version    int64
	// A guest has a host and a stay that ends; see Stays.
	HostID       *uuid.UUID
	GuestLastDay *time.Time
	GuestUntil   *time.Time
}

const memberColumns = `id, number, name, roles, garage_id, disabled_at, erased_at, version, host_id, guest_last_day, guest_until`

// FindMember looks a member up by id or number.
func FindMember(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Member] {
	return postgres.Query[Member](b, `select `+memberColumns+` from member where club_id = $1 and (id = $2 or number = $3)`, b.Club, ref.ID, ref.Name)
}

// FindMembers looks members up by ids and numbers.
func FindMembers(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Member] {
	ids, numbers := postgres.Split(refs)
	return postgres.Query[Member](b, `select `+memberColumns+` from member where club_id = $1 and (id = any($2) or number = any($3))`, b.Club, ids, numbers)
}

// FindHolder returns the member whom holder, a query by the club ($1) and who
// ($2), gives.
func FindHolder(b *postgres.Batch, holder string, who []byte) *postgres.Rows[Member] {
	return postgres.Query[Member](b, `select `+memberColumns+` from member where club_id = $1 and id = (`+holder+`)`, b.Club, who)
}

// LockMember is FindMember, locked until the end of the write.
func LockMember(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Member] {
	return postgres.Query[Member](b, `select `+memberColumns+` from member where club_id = $1 and (id = $2 or number = $3) for no key update`, b.Club, ref.ID, ref.Name)
}

// LockOfficers locks the club's working officers in the order of their ids, so
// that two officers who disable each other at once do not both succeed.
func LockOfficers(b *postgres.Batch) *postgres.Rows[uuid.UUID] {
	return postgres.Values[uuid.UUID](b, `select id from member where club_id = $1 and 'officer' = any(roles) and disabled_at is null order by id for no key update`, b.Club)
}

// ListMembers lists members by number, after the number given. Served by
// member_number.
func ListMembers(b *postgres.Batch, after string, limit int) *postgres.Rows[Member] {
	return postgres.Query[Member](b, `select `+memberColumns+` from member where club_id = $1 and number > $2 order by number limit $3`, b.Club, after, limit)
}

func numberTaken(number string) *problem.Error {
	return problem.New(problem.NameTaken, "Another member has the number %q. Choose another.", number)
}

// personless is what the journal sees of a member: no name, so that it can be
// erased.
func (m Member) personless() Member {
	m.Name = ""
	return m
}

// AddMember creates m.
func AddMember(tx *postgres.Tx, actor uuid.UUID, m Member) {
	AddMembers(tx, actor, []Member{m}).Refuse("member_number", numberTaken(m.Number))
}

// AddMembers creates members in one statement, in the order of their numbers, so
// that two who add the same ones wait for each other and never in a circle. A
// number that is taken violates member_number; the caller says what that means.
func AddMembers(tx *postgres.Tx, actor uuid.UUID, members []Member) *postgres.Effect {
	journal.AppendAll(tx, journal.Event{Type: "member.created", Version: 1, Audience: journal.ForClub, Actor: actor},
		postgres.Column(members, func(m Member) uuid.UUID { return m.ID }), postgres.Column(members, func(m Member) any { return m.personless() }))
	return tx.Queue(`
		insert into member (club_id, id, number, name, roles, garage_id)
		select $1, id, number, name, string_to_array(roles, ' '), garage_id
		from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::uuid[]) as u(id, number, name, roles, garage_id) order by number`,
		tx.Club,
		postgres.Column(members, func(m Member) uuid.UUID { return m.ID }),
		postgres.Column(members, func(m Member) string { return m.Number }),
		postgres.Column(members, func(m Member) string { return m.Name }),
		postgres.Column(members, func(m Member) string { return strings.Join(m.Roles, " ") }),
		postgres.Column(members, func(m Member) *uuid.UUID { return m.GarageID }))
}

// UpdateMember writes m as its next version. officers are the club's working
// officers before the change, locked: the last of them stays one.
func UpdateMember(tx *postgres.Tx, actor uuid.UUID, m Member, officers []uuid.UUID) (Member, error) {
	if m.ErasedAt != nil {
		return m, problem.New(problem.NotAllowedNow, "This member was erased, which cannot be taken back. Add the person anew, as another member.")
	}
	stays := m.DisabledAt == nil && slices.Contains(m.Roles, "officer")
	if len(officers) == 1 && officers[0] == m.ID && !stays {
		return m, problem.New(problem.NotAllowedNow, "This is the club's only officer. Make somebody else an officer first.")
	}
	if _, guest := m.Stays(); guest && !slices.Equal(m.Roles, []string{"member"}) {
		return m, problem.New(problem.NotAllowedNow, "A guest has no other role than member. Make them a member first: send guest as null.")
	}
	m.Version++
	tx.Queue(`update member set number = $3, name = $4, roles = $5, garage_id = $6, disabled_at = $7, version = $8, host_id = $9, guest_last_day = $10, guest_until = $11
		where club_id = $1 and id = $2`,
		tx.Club, m.ID, m.Number, m.Name, m.Roles, m.GarageID, m.DisabledAt, m.Version, m.HostID, m.GuestLastDay, m.GuestUntil).
		Refuse("member_number", numberTaken(m.Number))
	journal.Append(tx, journal.Event{Type: "member.changed", Subject: m.ID, Version: m.Version, Audience: journal.ForClub, Actor: actor}, m.personless())
	return m, nil
}
