package api

import (
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/club"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func useCertificateOut(c lending.Certificate) UseCertificate {
	out := UseCertificate{Id: c.ID, MemberId: c.MemberID, ToolModelId: c.ModelID, ToolModel: c.ModelCode, CertifiedBy: c.CertifiedBy, CertifiedAt: c.CertifiedAt.UTC(), Version: c.Version}
	if c.ExpiresOn != nil {
		out.ExpiresOn = &openapi_types.Date{Time: *c.ExpiresOn}
	}
	if c.WithdrawnAt != nil {
		out.WithdrawnAt = pointerTo(c.WithdrawnAt.UTC())
	}
	return out
}

// ListCertificates implements the contract.
func (s *Server) ListCertificates(c echo.Context, _ InClub, params ListCertificatesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		member, model := or(params.Member, ""), or(params.ToolModel, "")
		var who *postgres.Rows[club.Member]
		var what *postgres.Rows[tool.Model]
		if member != "" {
			who = club.FindMember(b, postgres.ParseRef(member))
		}
		if model != "" {
			what = tool.FindModel(b, postgres.ParseRef(model))
		}
		rows := lending.ListCertificates(b, member, model, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if who != nil && len(who.Items) == 0 {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?member", Detail: "there is no such member in this club; check the number, or GET members"})
			}
			if what != nil && len(what.Items) == 0 {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?tool_model", Detail: "there is no such tool model in this club; check the code, or GET tool-models"})
			}
			items, next := cut(in, p, rows.Items, func(c lending.Certificate) []string { return []string{c.ID.String()} })
			return in.listed(UseCertificatePage{Items: each(items, useCertificateOut), Next: next}, next), nil
		}
	})
}

// CreateCertificate implements the contract.
func (s *Server) CreateCertificate(c echo.Context, _ InClub, _ CreateCertificateParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[UseCertificateIn](in)
		who := club.FindMember(b, postgres.ParseRef(body.Member))
		what := tool.FindModel(b, postgres.ParseRef(body.ToolModel))
		return func(tx *postgres.Tx) (answer, error) {
			member, err := who.OneOf("/member", body.Member, func(m club.Member) string { return m.Number })
			if err != nil {
				return answer{}, err
			}
			model, err := what.OneOf("/tool_model", body.ToolModel, func(m tool.Model) string { return m.Code })
			if err != nil {
				return answer{}, err
			}
			if member.ID == in.caller.MemberID && !in.caller.Has("officer") {
				return answer{}, problem.New(problem.MissingRole, "Nobody certifies themselves; another tool keeper or an officer does.")
			}
			out := lending.Certificate{ID: newID(), MemberID: member.ID, ModelID: model.ID, ModelCode: model.Code, CertifiedBy: in.caller.MemberID, CertifiedAt: tx.Now, Version: model.Version}
			if body.ExpiresOn != nil {
				if body.ExpiresOn.Before(tx.Now.Add(-36 * time.Hour)) { // it may still be that day somewhere
					return answer{}, problem.Invalid(problem.Fault{Pointer: "/expires_on", Detail: "is over already; give a day ahead, or leave it out for a certificate that is good for good"})
				}
				out.ExpiresOn = &body.ExpiresOn.Time
			}
			lending.Certify(tx, out)
			return created(in.path("certificates", out.ID.String()), useCertificateOut(out)).versioned(out.Version, in.caller.Units), nil
		}
	})
}

// GetCertificate implements the contract.
func (s *Server) GetCertificate(c echo.Context, _ InClub, certificate uuid.UUID, _ GetCertificateParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := lending.FindCertificate(b, certificate)
		return func() (answer, error) {
			found, err := row.One()
			return ok(useCertificateOut(found)).versioned(found.Version, in.caller.Units), err
		}
	})
}

// WithdrawCertificate implements the contract.
func (s *Server) WithdrawCertificate(c echo.Context, _ InClub, certificate uuid.UUID, _ WithdrawCertificateParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := lending.LockCertificate(b, certificate)
		return func(tx *postgres.Tx) (answer, error) {
			found, err := row.One()
			if err == nil {
				found, err = lending.WithdrawCertificate(tx, in.caller.MemberID, found)
			}
			if err != nil {
				return answer{}, err
			}
			return ok(useCertificateOut(found)).versioned(found.Version, in.caller.Units), nil
		}
	})
}
