package api

import (
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/postgres"
	"pinwright/internal/whereabouts"
)

func personOut(id uuid.UUID, number, name string, hostID *uuid.UUID, hostNumber, hostName *string) Person {
	p := Person{Id: id, Number: number, Name: name}
	if hostID != nil {
		p.Host = &struct {
			Id     Id   `json:"id"`
			Name   Name `json:"name"`
			Number Code `json:"number"`
		}{Id: *hostID, Name: or(hostName, ""), Number: or(hostNumber, "")}
	}
	return p
}

func dateOut(d *time.Time) *openapi_types.Date {
	if d == nil {
		return nil
	}
	return &openapi_types.Date{Time: *d}
}

func dayLineOut(in *call, l whereabouts.Line, zone *time.Location) DayLine {
	out := DayLine{ReservationId: l.ReservationID, Line: l.Line, LoanId: l.LoanID, ToolId: l.ToolID, ToolNumber: l.ToolNumber, ModelCode: l.ModelCode, ModelName: l.ModelName,
		Member: personOut(l.MemberID, l.MemberNumber, l.MemberName, l.HostID, l.HostNumber, l.HostName), Garage: l.GarageCode,
		From: l.BeginsAt.UTC(), Until: l.EndsAt.UTC(), CollectedAt: l.CollectedAt, Late: l.IsLate(in.now), Caution: present(l.Caution), OneOf: l.Choice,
		OfferUntil: l.OfferUntil, Text: l.Text(in.now, zone)}
	if l.Endangered != "" {
		out.Endangered = pointerTo(Endangered(l.Endangered))
	}
	if l.DepositMinor != nil && *l.DepositMinor > 0 {
		out.Deposit = pointerTo(moneyOut(*l.DepositMinor, in.caller.Currency))
	}
	if l.Parts > 1 {
		out.Parts = &l.Parts
	}
	if l.Approval == "awaited" || l.Approval == "given" {
		out.Approval = pointerTo(DayLineApproval(l.Approval))
	}
	return out
}

func inspectLineOut(t whereabouts.ToInspect, day time.Time) InspectLine {
	return InspectLine{ToolId: t.ToolID, ToolNumber: t.ToolNumber, ModelCode: t.ModelCode, ModelName: t.ModelName, State: ToolState(t.State),
		Condition: InspectLineCondition(t.Condition), Why: each(t.Reasons(day), func(r string) InspectLineWhy { return InspectLineWhy(r) }),
		InspectionDueOn: dateOut(t.InspectionDueOn), CalibrationDueOn: dateOut(t.CalibrationDueOn), Caution: present(t.Caution), Note: present(t.Note), Text: t.Text(day)}
}

// GetGarageDay implements the contract.
func (s *Server) GetGarageDay(c echo.Context, _ InClub, garage InGarage, params GetGarageDayParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		var day *time.Time
		if params.Day != nil {
			day = &params.Day.Time
		}
		asked := whereabouts.QueueDay(b, postgres.ParseRef(garage), day, in.now)
		return func() (answer, error) {
			d, err := asked.Result()
			if err != nil {
				return answer{}, err
			}
			lines := func(of []whereabouts.Line) []DayLine {
				return each(of, func(l whereabouts.Line) DayLine { return dayLineOut(in, l, d.Zone) })
			}
			out := GarageDay{GarageId: d.Garage.ID, Garage: d.Garage.Code, TimeZone: d.Garage.TimeZone, Day: openapi_types.Date{Time: d.Garage.Day},
				Begins: d.Garage.BeginsAt.UTC(), Ends: d.Garage.EndsAt.UTC(), Summary: d.Summary(),
				GoingOut: lines(d.GoingOut), Back: lines(d.Back), Late: lines(d.Late), Out: lines(d.Out), Offers: lines(d.Offers), Approvals: lines(d.Approvals),
				ToInspect: each(d.ToInspect, func(t whereabouts.ToInspect) InspectLine { return inspectLineOut(t, d.Garage.Day) })}
			if d.CutOff {
				out.CutOff = pointerTo(true)
			}
			return ok(out), nil
		}
	})
}
