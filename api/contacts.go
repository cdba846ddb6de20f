package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reminder"
)

func contactIn(k reminder.Contact) ContactIn {
	in := ContactIn{HoursBefore: k.HoursBefore, MailAddress: k.MailAddress, Choices: choicesOut(k)}
	if k.QuietFrom != nil && k.QuietUntil != nil {
		in.QuietHours = &QuietHours{From: *k.QuietFrom, Until: *k.QuietUntil}
	}
	return in
}

// choicesOf are where the choices of c stand, by their kinds.
func choicesOf(c *ReminderChoices) map[string]**ReminderChoice {
	return map[string]**ReminderChoice{"due_soon": &c.DueSoon, "late": &c.Late, "begins_soon": &c.BeginsSoon, "offer": &c.Offer, "endangered": &c.Endangered,
		"moved": &c.Moved, "approval": &c.Approval, "to_approve": &c.ToApprove, "choice": &c.Choice, "calibration": &c.Calibration, "inspection": &c.Inspection}
}

func choicesOut(k reminder.Contact) *ReminderChoices {
	out := &ReminderChoices{}
	at := choicesOf(out)
	for _, kind := range reminder.Kinds {
		*at[kind] = pointerTo(ReminderChoice(k.Choice(kind)))
	}
	return out
}

// fillContact is k as in wants it.
func fillContact(k reminder.Contact, in ContactIn) reminder.Contact {
	k.MailAddress, k.HoursBefore, k.QuietFrom, k.QuietUntil = in.MailAddress, in.HoursBefore, nil, nil
	if in.QuietHours != nil {
		k.QuietFrom, k.QuietUntil = &in.QuietHours.From, &in.QuietHours.Until
	}
	choices := or(in.Choices, ReminderChoices{})
	at := choicesOf(&choices)
	for _, kind := range reminder.Kinds {
		k.Choose(kind, string(or(*at[kind], reminder.ByMail)))
	}
	return k
}

func contactOut(k reminder.Contact, zone string) Contact {
	in := contactIn(k)
	out := Contact{MemberId: k.MemberID, MailAddress: in.MailAddress, HoursBefore: in.HoursBefore, QuietHours: in.QuietHours, TimeZone: present(zone),
		Choices: *in.Choices, Version: k.Version}
	switch {
	case k.MailAddress == nil:
		out.Summary = "Reminders stand in the list and in the journal; none are mailed, since there is no address."
	case in.QuietHours != nil:
		out.Summary = fmt.Sprintf("Reminders are mailed as chosen, but not from %s until %s: they wait until then.", in.QuietHours.From, in.QuietHours.Until)
	default:
		out.Summary = "Reminders are mailed as chosen, at any hour."
	}
	return out
}

// contactOf is what a request about a member's contact finds.
type contactOf struct {
	member  *postgres.Rows[club.Member]
	contact *postgres.Rows[reminder.Contact]
	holder  *postgres.Rows[reminder.Holder]
}

func findContact(b *postgres.Batch, member *postgres.Rows[club.Member], ref postgres.Ref) contactOf {
	return contactOf{member: member, contact: reminder.FindContact(b, ref), holder: reminder.FindHolder(b, ref)}
}

// read is the member with their contact, where the caller may see it.
func (f contactOf) read(in *call) (m club.Member, k reminder.Contact, zone string, err error) {
	if m, err = f.member.One(); err != nil {
		return m, k, "", err
	}
	if m.ID != in.caller.MemberID && !in.caller.Has("officer") {
		return m, k, "", problem.New(problem.MissingRole, "This is another member's contact; they and officers see and change it. Ask one of them.")
	}
	k = reminder.Usual(m.ID)
	if len(f.contact.Items) == 1 {
		k = f.contact.Items[0]
	}
	holder, err := f.holder.One()
	return m, k, holder.TimeZone, err
}

// GetContact implements the contract.
func (s *Server) GetContact(c echo.Context, _ InClub, member InMember, _ GetContactParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(member)
		found := findContact(b, club.FindMember(b, ref), ref)
		return func() (answer, error) {
			_, k, zone, err := found.read(in)
			return ok(contactOut(k, zone)).versioned(k.Version, in.caller.Units), err
		}
	})
}

// PatchContact implements the contract.
func (s *Server) PatchContact(c echo.Context, _ InClub, member InMember, _ PatchContactParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		ref := postgres.ParseRef(member)
		found := findContact(b, club.LockMember(b, ref), ref)
		return func(tx *postgres.Tx) (answer, error) {
			m, k, zone, err := found.read(in)
			if err != nil {
				return answer{}, err
			}
			if m.ErasedAt != nil {
				return answer{}, problem.New(problem.NotAllowedNow, "This member was erased, which cannot be taken back. Add the person anew, as another member.")
			}
			if err := in.match(k.Version, contactOut(k, zone)); err != nil {
				return answer{}, err
			}
			body, err := merged(s, in, "ContactIn", contactIn(k))
			if err != nil {
				return answer{}, err
			}
			if k, err = reminder.Save(tx, in.caller.MemberID, fillContact(k, body)); err != nil {
				return answer{}, err
			}
			return ok(contactOut(k, zone)).versioned(k.Version, in.caller.Units), nil
		}
	})
}
