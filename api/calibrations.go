package api

import (
	"net/http"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func calibrationOut(in *call, c tool.Calibration) Calibration {
	return Calibration{Id: c.ID, ToolId: c.ToolID, CalibratedOn: openapi_types.Date{Time: c.CalibratedOn}, DueOn: openapi_types.Date{Time: c.DueOn},
		ExpandedUncertainty: lengthOut(c.Expanded, in.caller.Units), CoverageFactor: c.CoverageFactor,
		Deviation: lengthOrNone(c.Deviation, in.caller.Units), Certificate: present(c.Certificate), Entered: enteredOut(c.Entered)}
}

// lastDay is later than any day that the contract takes.
const lastDay = "9999-12-31"

// pageDay is where a list that is ordered by day and id downwards continues.
func (in *call) pageDay(p page) (time.Time, uuid.UUID) {
	day, err := time.Parse(time.DateOnly, p.key(0, lastDay))
	id, err2 := uuid.Parse(p.key(1, greatestID.String()))
	if err != nil || err2 != nil {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
	}
	return day, id
}

// ListCalibrations implements the contract.
func (s *Server) ListCalibrations(c echo.Context, _ InClub, name InTool, _ ListCalibrationsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		ref := postgres.ParseRef(name)
		day, id := in.pageDay(p)
		tools := tool.Find(b, ref)
		rows := tool.ListCalibrations(b, ref, day, id, p.limit+1)
		return func() (answer, error) {
			if _, err := tools.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(c tool.Calibration) []string {
				return []string{c.CalibratedOn.Format(time.DateOnly), c.ID.String()}
			})
			return in.listed(CalibrationPage{Items: each(items, func(c tool.Calibration) Calibration { return calibrationOut(in, c) }), Next: next}, next), nil
		}
	})
}

// CreateCalibration implements the contract.
func (s *Server) CreateCalibration(c echo.Context, _ InClub, name InTool, _ CreateCalibrationParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[CalibrationIn](in)
		row := tool.Lock(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			cal := tool.Calibration{ID: newID(), ToolID: t.ID, CalibratedOn: body.CalibratedOn.Time, DueOn: body.CalibratedOn.AddDate(1, 0, 0),
				CoverageFactor: or(body.CoverageFactor, 2), Certificate: or(body.Certificate, ""), Entered: tool.Entered{}}
			if body.DueOn != nil {
				cal.DueOn = body.DueOn.Time
			}
			cal.Expanded = *cal.Entered.Keep("expanded_uncertainty", &body.ExpandedUncertainty)
			cal.Deviation = cal.Entered.Keep("deviation", body.Deviation)
			var unsound error
			if faults := cal.Check(tx.Now); len(faults) > 0 {
				unsound = problem.Invalid(faults...)
			}
			if err := together(t.MayCalibrate(), unsound); err != nil {
				return answer{}, err
			}
			tool.Calibrate(tx, in.caller.MemberID, t, cal)
			return answer{status: http.StatusCreated, body: calibrationOut(in, cal)}, nil
		}
	})
}
