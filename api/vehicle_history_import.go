package api

import (
	"encoding/json"
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/club"
	"pinwright/internal/history"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func historyImportOut(i history.Import, already bool) (HistoryImport, error) {
	var report HistoryReport
	if err := json.Unmarshal(i.Report, &report); err != nil {
		return HistoryImport{}, err
	}
	return HistoryImport{Id: i.ID, MemberId: i.MemberID, MadeAt: i.MadeAt.UTC(), From: HistoryFrom{ClubId: i.FromClub, Name: i.FromName}, Already: already, Report: report}, nil
}

// CreateHistoryImport implements the contract. The body is large, so it is read
// only once it is known who sends it, and no connection is held while it is checked.
func (s *Server) CreateHistoryImport(c echo.Context, _ InClub, params CreateHistoryImportParams) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	var caller *postgres.Rows[access.Caller]
	if err := s.db.Read(in.ctx, in.club, func(b *postgres.Batch) { caller = access.Who(b, in.bearer, in.now) }); err != nil {
		return err
	}
	if err := in.admit(caller, invalid); err != nil {
		return err
	}
	told, err := s.receiveHistory(in)
	if err != nil {
		return err
	}
	return s.change(in, nil, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		var named *postgres.Rows[club.Member]
		if params.Owner != nil {
			named = club.FindMember(b, postgres.ParseRef(*params.Owner))
		}
		here := history.Look(b, told)
		return func(tx *postgres.Tx) (answer, error) {
			owner := in.caller.MemberID
			if named != nil {
				m, err := named.OneOf("?owner", *params.Owner, func(m club.Member) string { return m.Number })
				if err != nil {
					return answer{}, err
				}
				owner = m.ID
			}
			if earlier := here.Earlier(); earlier != nil {
				out, err := historyImportOut(*earlier, true)
				return ok(out), err
			}
			i, err := history.Take(tx, in.caller.MemberID, owner, or(params.Code, ""), told, here.Sort())
			if err != nil {
				return answer{}, err
			}
			out, err := historyImportOut(i, false)
			return created(in.path("history-imports", i.ID.String()), out), err
		}
	})
}

// receiveHistory reads the body, for which there is more time than for others, and
// holds it to the contract and to its own hashes.
func (s *Server) receiveHistory(in *call) (*history.Told, error) {
	rc := http.NewResponseController(in.echo.Response())
	now := time.Now()
	// What cannot be set, as in a test without a socket, is not bounded there either.
	_ = rc.SetReadDeadline(now.Add(s.limits.Upload))
	_ = rc.SetWriteDeadline(now.Add(s.limits.Upload + 2*s.limits.Request))
	var err error
	if in.body, err = s.readBody(in.echo, in.op.MaxBody, "A history that is larger does not fit in one document."); err != nil {
		return nil, err
	}
	var faults []problem.Fault
	if _, err := checkBody(in.echo.Request(), in.op, in.body, &faults); err != nil {
		return nil, err
	}
	if len(faults) > 0 {
		return nil, problem.Invalid(faults[:min(len(faults), 100)]...)
	}
	doc := decode[history.Document](in)
	if in.fault != nil {
		return nil, in.fault
	}
	return history.Read(doc)
}

// ListHistoryImports implements the contract.
func (s *Server) ListHistoryImports(c echo.Context, _ InClub, _ ListHistoryImportsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := history.ListImports(b, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(i history.Import) []string { return []string{i.ID.String()} })
			out, err := eachOr(items, func(i history.Import) (HistoryImport, error) { return historyImportOut(i, false) })
			return in.listed(HistoryImportPage{Items: out, Next: next}, next), err
		}
	})
}

// GetHistoryImport implements the contract.
func (s *Server) GetHistoryImport(c echo.Context, _ InClub, id InHistoryImport) error {
	return s.read(c, func(b *postgres.Batch, _ *call) func() (answer, error) {
		row := history.FindImport(b, uuid.UUID(id))
		return func() (answer, error) {
			i, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := historyImportOut(i, false)
			return ok(out), err
		}
	})
}
