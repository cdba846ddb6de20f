package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/imports"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
	"pinwright/internal/sheet"
)

// single names the operation that makes one of what the rows of a sheet are: its
// roles are needed for a sheet of them.
var single = map[imports.Kind]string{imports.Members: "createMember", imports.ToolModels: "createToolModel", imports.Tools: "createTool", imports.Kits: "createKit", imports.Vehicles: "createVehicle",
	imports.Joints: "createJoints", imports.Readings: "createReadings"}

// takeSheets teaches the operations that take sheets what the contract cannot
// say of them.
func (s *Server) takeSheets() {
	op := s.contract.byID["createImport"]
	op.narrow = func(c echo.Context) []string {
		if made, known := single[imports.Kind(c.QueryParam("kind"))]; known {
			return s.contract.byID[made].Roles
		}
		return op.Roles
	}
	op.check = mapSheet
	s.contract.byID["createBankStatement"].check = mapBankFile
}

// readSheet reads a body of CSV.
func readSheet(body []byte) (*sheet.Sheet, error) {
	out, err := sheet.Read(body)
	var fault *sheet.Error
	switch {
	case errors.As(err, &fault) && fault.TooMany:
		return nil, problem.New(problem.TooLarge, "The sheet is too large: %v.", fault)
	case err != nil:
		return nil, problem.New(problem.MalformedRequest, "The sheet cannot be read: %v.", err)
	}
	return out, nil
}

// mapped is a sheet whose columns are known.
type mapped struct {
	*sheet.Sheet
	*imports.Mapping
}

// mapSheet finds the columns of the sheet of a valid request.
func mapSheet(in *call) (any, error) {
	query := in.echo.QueryParams()
	read, _ := in.value.(*sheet.Sheet)
	wish := imports.Wish{Map: query["map"], Ignore: query["ignore"], Unit: query.Get("unit"), Zone: time.UTC}
	var faults []problem.Fault
	if name := query.Get("time_zone"); name != "" {
		zone, err := time.LoadLocation(name)
		if err != nil || name == "Local" {
			faults = append(faults, problem.Fault{Pointer: "?time_zone", Detail: "use an IANA time zone name, such as Europe/Lisbon"})
		} else {
			wish.Zone = zone
		}
	}
	mapping, more := imports.Map(imports.Kind(query.Get("kind")), read, wish)
	if faults = append(faults, more...); len(faults) > 0 {
		return nil, problem.Invalid(faults...)
	}
	return mapped{read, mapping}, nil
}

func importListed(i imports.Import) ImportListed {
	out := ImportListed{Id: i.ID, Kind: ImportKind(i.Kind), MemberId: i.MemberID, CreatedAt: i.CreatedAt.UTC(),
		Created: int(i.Created), Existing: int(i.Existing), Refused: int(i.Refused), Version: i.Version}
	if i.RevertedAt != nil {
		out.Reverted = &ImportReverted{At: i.RevertedAt.UTC(), MemberId: *i.RevertedBy, Reason: i.RevertReason}
	}
	return out
}

func importOut(i imports.Import, report ImportReport) Import {
	l := importListed(i)
	return Import{Id: l.Id, Kind: l.Kind, MemberId: l.MemberId, CreatedAt: l.CreatedAt, Created: l.Created, Existing: l.Existing, Refused: l.Refused,
		Reverted: l.Reverted, Report: report, Version: l.Version}
}

// importKept is an import with its report.
func importKept(k imports.Kept) (Import, error) {
	var report ImportReport
	err := json.Unmarshal(k.Report, &report)
	return importOut(k.Import, report), err
}

// ListImports implements the contract.
func (s *Server) ListImports(c echo.Context, _ InClub, _ ListImportsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		after, err := uuid.Parse(p.key(0, greatestID.String()))
		if err != nil {
			in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
		}
		rows := imports.List(b, after, p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(i imports.Import) []string { return []string{i.ID.String()} })
			return in.listed(ImportPage{Items: each(items, importListed), Next: next}, next), nil
		}
	})
}

// GetImport implements the contract.
func (s *Server) GetImport(c echo.Context, _ InClub, id InImport, _ GetImportParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := imports.Find(b, id)
		return func() (answer, error) {
			kept, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := importKept(kept)
			return ok(out).versioned(kept.Version, in.caller.Units), err
		}
	})
}

// CreateImport implements the contract.
func (s *Server) CreateImport(c echo.Context, _ InClub, params CreateImportParams) error {
	tries := 0
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		tries++
		from, _ := in.value.(mapped)
		run := &importing{s: s, in: in, mapped: from, again: tries > 1}
		judge := run.queue(b)
		return func(tx *postgres.Tx) (answer, error) {
			run.tx = tx
			if err := judge(); err != nil {
				return answer{}, err
			}
			report := run.report(or(params.DryRun, false), or(params.Partial, false))
			switch {
			case report.DryRun:
				tx.Discard()
				return ok(report), nil
			case report.Refused > 0 && (!or(params.Partial, false) || report.Refused == report.RowsRead):
				return answer{}, &problem.Error{Kind: problem.RowsRefused, Detail: report.Summary + " `report` tells each with its column.",
					Members: map[string]any{"report": report}}
			}
			return run.keep(report)
		}
	})
}

// heldRow is something of an import that cannot be taken back.
type heldRow struct {
	Row  int    `json:"row"`
	ID   string `json:"id"`
	Text string `json:"text"`
}

// holders says in words what holds the things of an import.
func holders(found []imports.Holder) []heldRow {
	return each(found, func(h imports.Holder) heldRow {
		text := "used by the " + strings.ReplaceAll(h.HeldBy, "_", " ") + "s of the club"
		if h.HeldBy == "changed" {
			text = "changed since it came in"
		}
		return heldRow{Row: int(h.RowNumber), ID: h.ThingID.String(), Text: text}
	})
}

// mostHeld bounds how many rows a refusal lists.
const mostHeld = 200

// RevertImport implements the contract.
func (s *Server) RevertImport(c echo.Context, _ InClub, id InImport, _ RevertImportParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[VoidIn](in)
		row := imports.Lock(b, id)
		made := imports.Making(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			kept, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := s.mayRevert(in, kept.Import); err != nil {
				return answer{}, err
			}
			var held *postgres.Rows[imports.Holder]
			var readings *postgres.Rows[reading.Reading]
			err = tx.Send(in.ctx, func(b *postgres.Batch) {
				held = imports.QueueRevert(b, id)
				readings = reading.Find(b, readingsOf(made.Items)...)
			})
			if err != nil {
				return answer{}, err
			}
			if n := len(held.Items); n > 0 {
				first := holders(held.Items[:1])[0]
				return answer{}, &problem.Error{Kind: problem.ImportInUse,
					Detail:  fmt.Sprintf("Nothing was taken back, since something is in the way (%d in all): what row %d made is %s. Take that back first, or keep the import and correct single things.", n, first.Row, first.Text),
					Members: map[string]any{"held": holders(held.Items[:min(n, mostHeld)])}}
			}
			reading.VoidAll(tx, in.caller.MemberID, readings.Items, "import taken back: "+body.Reason)
			kept.Import = imports.Reverted(tx, in.caller.MemberID, kept.Import, body.Reason, made.Items)
			out, err := importKept(kept)
			return ok(out), err
		}
	})
}

func readingsOf(made []imports.Made) []uuid.UUID {
	ids := []uuid.UUID{}
	for _, m := range made {
		if m.Thing == imports.AReading {
			ids = append(ids, m.ID)
		}
	}
	return ids
}

// mayRevert holds the caller to the roles of the import and, where another
// member brought it in, to those that may act for others.
func (s *Server) mayRevert(in *call, i imports.Import) error {
	if err := in.caller.May(s.contract.byID[single[i.Kind]].Roles, in.op.Scope); err != nil {
		return err
	}
	if i.MemberID != in.caller.MemberID && !in.caller.Has("tool_keeper", "officer") {
		return problem.New(problem.MissingRole, "Another member brought this in. Ask that member, or a tool_keeper or officer, to take it back.")
	}
	return i.MayRevert()
}

// GetImportTemplate implements the contract.
func (s *Server) GetImportTemplate(c echo.Context, kind InKind) error {
	if _, invalid, err := s.begin(c); err != nil || invalid != nil {
		return errors.Join(err, invalid)
	}
	c.Response().Header().Set("Content-Disposition", `attachment; filename="`+string(kind)+`.csv"`)
	return c.Blob(http.StatusOK, csvList, imports.Template(imports.Kind(kind)))
}
