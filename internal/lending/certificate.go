package lending

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Certificate says that a member was shown how to use tools of a model.
type Certificate struct {
	ID          uuid.UUID
	MemberID    uuid.UUID
	ModelID     uuid.UUID
	ModelCode   string
	CertifiedBy uuid.UUID
	CertifiedAt time.Time
	ExpiresOn   *time.Time // the last day on which it is good; nil: for good
	WithdrawnAt *time.Time
	Version     int64 // also grows with the model, whose code shows
}

const certificates = `
	select c.id, c.member_id, c.model_id, m.code as model_code, c.certified_by, c.certified_at, c.expires_on, c.withdrawn_at, c.version + m.version - 1 as version
	from certificate c join tool_model m on m.club_id = c.club_id and m.id = c.model_id
	where c.club_id = $1 `

// FindCertificate looks a certificate up.
func FindCertificate(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Certificate] {
	return postgres.Query[Certificate](b, certificates+`and c.id = $2`, b.Club, id)
}

// LockCertificate is FindCertificate, locked until the end of the write.
func LockCertificate(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Certificate] {
	return postgres.Query[Certificate](b, certificates+`and c.id = $2 for no key update of c`, b.Club, id)
}

// ListCertificates lists certificates, newest first, with ids below before;
// member and model, an id or a name each, narrow the list where they are not
// empty. Served by certificate_pkey, certificate_listed or certificate_of_model.
func ListCertificates(b *postgres.Batch, member, model string, before uuid.UUID, limit int) *postgres.Rows[Certificate] {
	where, args := ``, []any{b.Club, before, limit}
	if member != "" {
		id, number := named(member)
		args = append(args, id, number)
		where += fmt.Sprintf(`and c.member_id = (select id from member where club_id = $1 and (id = $%d or number = $%d)) `, len(args)-1, len(args))
	}
	if model != "" {
		id, code := named(model)
		args = append(args, id, code)
		where += fmt.Sprintf(`and c.model_id = (select id from tool_model where club_id = $1 and (id = $%d or code = $%d)) `, len(args)-1, len(args))
	}
	return postgres.Query[Certificate](b, certificates+where+`and c.id < $2 order by c.id desc limit $3`, args...)
}

// Certify records c.
func Certify(tx *postgres.Tx, c Certificate) {
	tx.Queue(`insert into certificate (club_id, id, member_id, model_id, certified_by, certified_at, expires_on) values ($1, $2, $3, $4, $5, $6, $7)`,
		tx.Club, c.ID, c.MemberID, c.ModelID, c.CertifiedBy, c.CertifiedAt, c.ExpiresOn)
	journal.Append(tx, journal.Event{Type: "certificate.created", Subject: c.ID, Version: 1, Audience: journal.ForClub, Actor: c.CertifiedBy}, c)
}

// WithdrawCertificate ends c. What was reserved by it stays reserved.
func WithdrawCertificate(tx *postgres.Tx, actor uuid.UUID, c Certificate) (Certificate, error) {
	if c.WithdrawnAt != nil {
		return c, problem.New(problem.NotAllowedNow, "It was withdrawn on %s already.", c.WithdrawnAt.UTC().Format(time.DateOnly))
	}
	at := kept(tx.Now)
	c.WithdrawnAt = &at
	c.Version++
	tx.Queue(`update certificate set withdrawn_at = $3, version = version + 1 where club_id = $1 and id = $2`, tx.Club, c.ID, at)
	journal.Append(tx, journal.Event{Type: "certificate.withdrawn", Subject: c.ID, Version: c.Version, Audience: journal.ForClub, Actor: actor}, c)
	return c, nil
}

// shownHow is a model whose use a member was shown.
type shownHow struct {
	ModelID   uuid.UUID
	ExpiresOn *time.Time
}

// UncertifiedModel is a model that a member may not have until a day, for want
// of a certificate.
type UncertifiedModel struct {
	Model       string    `json:"tool_model"`
	NeededUntil time.Time `json:"-"`
	Day         string    `json:"needed_until"`
}

// uncertified is the problem of models that need a certificate which the
// borrower has not; nil for none.
func (w borrower) uncertified(chosen []option) error {
	var lacking []UncertifiedModel
	for _, o := range chosen {
		if !o.tool.CertificateNeeded {
			continue
		}
		last := o.lastDay()
		good := false
		for _, s := range w.shown.Items {
			good = good || s.ModelID == o.tool.ModelID && (s.ExpiresOn == nil || !s.ExpiresOn.Before(last))
		}
		if good {
			continue
		}
		known := false
		for i := range lacking {
			if known = lacking[i].Model == o.tool.ModelCode; known {
				if last.After(lacking[i].NeededUntil) {
					lacking[i].NeededUntil, lacking[i].Day = last, last.Format(time.DateOnly)
				}
				break
			}
		}
		if !known {
			lacking = append(lacking, UncertifiedModel{Model: o.tool.ModelCode, NeededUntil: last, Day: last.Format(time.DateOnly)})
		}
	}
	if len(lacking) == 0 {
		return nil
	}
	var words []string
	for _, l := range lacking {
		words = append(words, fmt.Sprintf("%s until %s", l.Model, l.Day))
	}
	return &problem.Error{Kind: problem.NotCertified, Members: map[string]any{"not_certified": lacking},
		Detail: "Nothing was booked. It takes a certificate for " + strings.Join(words, " and ") + "; ask a tool keeper to show you how it is used and to certify it, or choose another tool."}
}
