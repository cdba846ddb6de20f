package wear

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Kinds of events.
const (
	Lubricated = "lubricated"
	Repaired   = "repaired"
	Other      = "other"
)

// Event is something done to a joint. Its words are those of the contract.
type Event struct {
	ID         uuid.UUID
	JointID    uuid.UUID
	Kind       string
	OccurredAt time.Time
	Note       string
	MemberID   uuid.UUID
	RecordedAt time.Time
	Void
}

// Void is why something no longer counts; nil while it does.
type Void struct {
	VoidReason *string
	VoidAt     *time.Time
}

func (v Void) version() int64 {
	if v.VoidAt != nil {
		return 2
	}
	return 1
}

func voided(what string, at time.Time) *problem.Error {
	return problem.New(problem.NotAllowedNow, "This %s was voided on %s and stays so. To add what is right, post a new one.", what, at.UTC().Format(time.DateOnly))
}

// stamp is a time as the tables keep it.
func stamp(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// Ahead is the fault of a time that has not come yet, nil where it has. A quarter
// of an hour is left for clocks that go wrong.
func Ahead(pointer string, at, now time.Time) []problem.Fault {
	if at.After(now.Add(15 * time.Minute)) {
		return []problem.Fault{{Pointer: pointer, Detail: "lies ahead; give the time at which it was"}}
	}
	return nil
}

const selectEvent = `select e.id, e.joint_id, e.kind, e.occurred_at, e.note, e.member_id, e.recorded_at, v.reason as void_reason, v.at as void_at
	from wear_event e left join wear_event_void v on v.club_id = e.club_id and v.wear_event_id = e.id where e.club_id = $1`

// FindEvent looks an event up.
func FindEvent(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Event] {
	return postgres.Query[Event](b, selectEvent+` and e.id = $2`, b.Club, id)
}

// ListEvents lists the events of a joint, newest first, behind the one of the
// time and id given, voided ones with them. Of several joints at a position it
// takes any, which whoever asks must refuse. Served by wear_event_of_joint.
func ListEvents(b *postgres.Batch, joint postgres.Ref, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Event] {
	return postgres.Query[Event](b, selectEvent+` and e.joint_id = (select id from joint where club_id = $1 and (id = $2 or position = $3) limit 1)
		and (e.occurred_at, e.id) < ($4, $5) order by e.occurred_at desc, e.id desc limit $6`, b.Club, joint.ID, joint.Name, before, beforeID, limit)
}

// standing are the events that count of the joints that the name may mean, in
// their order, at most so many of the newest. Served by wear_event_of_joint.
func standing(b *postgres.Batch, joint postgres.Ref, limit int) *postgres.Rows[Event] {
	return postgres.Query[Event](b, `select * from (`+selectEvent+` and e.joint_id in (select id from joint where club_id = $1 and (id = $2 or position = $3))
		and (select x.at from wear_event_void x where x.club_id = e.club_id and x.wear_event_id = e.id) is null
		order by e.occurred_at desc, e.id desc limit $4) e order by e.occurred_at, e.id`, b.Club, joint.ID, joint.Name, limit)
}

// Same reports whether f is e sent again. It fails where the id stands for
// something else.
func (e Event) Same(f Event) error {
	if e.JointID == f.JointID && e.Kind == f.Kind && e.Note == f.Note && e.OccurredAt.Equal(f.OccurredAt) {
		return nil
	}
	return problem.New(problem.IDUsed, "An event of other content has this id. Make a new id for a new event; to correct that one, void it and post the right one.")
}

var errTaken = problem.New(problem.IDUsed, "One with this id came in a moment ago. Send the request again to see it.")

// RecordEvent keeps e.
func RecordEvent(tx *postgres.Tx, e Event) Event {
	e.RecordedAt = stamp(tx.Now)
	tx.Queue(`insert into wear_event (club_id, id, joint_id, kind, occurred_at, note, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, e.ID, e.JointID, e.Kind, e.OccurredAt, e.Note, e.MemberID, e.RecordedAt).
		Refuse("wear_event_pkey", errTaken)
	e.journal(tx, "wear_event.recorded", e.MemberID)
	return e
}

// VoidEvent takes e, which stands, out of every answer.
func VoidEvent(tx *postgres.Tx, actor uuid.UUID, e Event, reason string) (Event, error) {
	if e.VoidAt != nil {
		return e, voided("event", *e.VoidAt)
	}
	at := stamp(tx.Now)
	e.VoidReason, e.VoidAt = &reason, &at
	tx.Queue(`insert into wear_event_void (club_id, wear_event_id, reason, at, member_id) values ($1, $2, $3, $4, $5)`, tx.Club, e.ID, reason, at, actor).
		Refuse("wear_event_void_pkey", voided("event", at))
	e.journal(tx, "wear_event.voided", actor)
	return e, nil
}

// journal notes what happened to e without its words, which may name people and
// must be erasable.
func (e Event) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	e.Note, e.VoidReason = "", nil
	journal.Append(tx, journal.Event{Type: what, Subject: e.ID, Version: e.version(), Audience: journal.ForClub, Actor: actor}, e)
}
