package api

import (
	"encoding/hex"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/history"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

func historyConsentOut(c history.Consent, now time.Time) HistoryConsent {
	out := HistoryConsent{Id: c.ID, VehicleId: c.VehicleID, OwnerId: c.OwnerID, RecordedBy: c.RecordedBy, Written: c.Written, Note: present(c.Note),
		GivenAt: c.GivenAt.UTC(), ExpiresAt: c.ExpiresAt.UTC(), Live: c.Live(now)}
	if c.WithdrawnAt != nil {
		out.WithdrawnAt = pointerTo(c.WithdrawnAt.UTC())
	}
	return out
}

// mayGiveOut allows everybody the history of their own vehicles, and the officers
// that of all.
func (in *call) mayGiveOut(v vehicle.Vehicle) error {
	if v.MemberID == in.caller.MemberID || in.caller.Has("officer") {
		return nil
	}
	return problem.New(problem.MissingRole, "The history of a vehicle is its owner's to give out, and an officer's where the owner consents. Ask one of them.")
}

// ListHistoryConsents implements the contract.
func (s *Server) ListHistoryConsents(c echo.Context, _ InClub, name InVehicle, _ ListHistoryConsentsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		found := vehicle.Find(b, postgres.ParseRef(name))
		rows := history.ListConsents(b, postgres.ParseRef(name), in.pageID(p), p.limit+1)
		return func() (answer, error) {
			v, err := found.One()
			if err == nil {
				err = in.mayGiveOut(v)
			}
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(c history.Consent) []string { return []string{c.ID.String()} })
			return in.listed(HistoryConsentPage{Items: each(items, func(c history.Consent) HistoryConsent { return historyConsentOut(c, in.now) }), Next: next}, next), nil
		}
	})
}

// CreateHistoryConsent implements the contract.
func (s *Server) CreateHistoryConsent(c echo.Context, _ InClub, name InVehicle, _ CreateHistoryConsentParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[HistoryConsentIn](in)
		row := vehicle.Find(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			v, err := row.One()
			if err == nil {
				err = in.mayGiveOut(v)
			}
			if err != nil {
				return answer{}, err
			}
			given, err := history.Give(tx, in.caller.MemberID, v, or(body.Days, 30), or(body.Note, ""))
			if err != nil {
				return answer{}, err
			}
			return created(in.path("vehicles", v.ID.String(), "history-consents"), historyConsentOut(given, tx.Now)), nil
		}
	})
}

// WithdrawHistoryConsent implements the contract.
func (s *Server) WithdrawHistoryConsent(c echo.Context, _ InClub, id InHistoryConsent, _ WithdrawHistoryConsentParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := history.LockConsent(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			given, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if given.OwnerID != in.caller.MemberID && !in.caller.Has("officer") {
				return answer{}, problem.New(problem.MissingRole, "The owner who gave the consent withdraws it, or an officer. Ask one of them.")
			}
			return ok(historyConsentOut(history.Withdraw(tx, in.caller.MemberID, given), tx.Now)), nil
		}
	})
}

// GetVehicleHistory implements the contract. It is a read that is noted: the note
// is written before the history is told.
func (s *Server) GetVehicleHistory(c echo.Context, _ InClub, name InVehicle) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		asked := history.Ask(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			v, err := asked.Vehicle()
			if err == nil {
				err = in.mayGiveOut(v)
			}
			if err != nil {
				return answer{}, err
			}
			consent, err := asked.Consent(tx.Now)
			if err != nil {
				return answer{}, err
			}
			doc, err := asked.Document(tx.Club, tx.Now)
			if err == nil {
				err = history.Note(tx, in.caller.MemberID, consent, doc)
			}
			return ok(doc).with("Cache-Control", "no-store"), err
		}
	})
}

// ListHistoryExports implements the contract.
func (s *Server) ListHistoryExports(c echo.Context, _ InClub, name InVehicle, _ ListHistoryExportsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		found := vehicle.Find(b, postgres.ParseRef(name))
		rows := history.ListExports(b, postgres.ParseRef(name), in.pageID(p), p.limit+1)
		return func() (answer, error) {
			v, err := found.One()
			if err == nil {
				err = in.mayGiveOut(v)
			}
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(e history.Export) []string { return []string{e.ID.String()} })
			return in.listed(HistoryExportPage{Items: each(items, func(e history.Export) HistoryExport {
				return HistoryExport{Id: e.ID, ConsentId: e.ConsentID, MemberId: e.MemberID, MadeAt: e.MadeAt.UTC(), Hash: hex.EncodeToString(e.Hash), Rows: e.Rows}
			}), Next: next}, next), nil
		}
	})
}
