package api

import (
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func freePeriodOut(p lending.FreePeriod) FreePeriod {
	return FreePeriod{From: p.From, Until: p.Until, Ends: present(p.Ends), Tools: p.Tools}
}

func failedOut(f lending.Failed) FailedPeriod {
	return FailedPeriod{From: f.From, Until: f.Until, Because: each(f.Because, func(b lending.Because) FailedBecause {
		return FailedBecause{Tool: present(b.Tool), ToolModel: present(b.Model), Reason: FailedBecauseReason(b.Reason), Text: b.Text}
	})}
}

// What is looked through unless the caller says otherwise, and at most.
const (
	usualOutlook    = 90 * 24 * time.Hour
	greatestOutlook = 400 * 24 * time.Hour
)

// outlook is the time to look through; what has passed is free for nobody.
func (in *call) outlook(from, until *time.Time) lending.Period {
	now := in.now.Truncate(time.Minute)
	window := lending.Period{From: or(from, now)}
	if window.From.Before(now) {
		window.From = now
	}
	window.Until = or(until, window.From.Add(usualOutlook))
	switch {
	case !window.Until.After(window.From):
		in.fault = problem.Invalid(problem.Fault{Pointer: "?until", Detail: "must be later than from, and than now"})
	case window.Until.Sub(window.From) > greatestOutlook:
		in.fault = problem.Invalid(problem.Fault{Pointer: "?until", Detail: "must be at most 400 days after from"})
	}
	return window
}

// GetAvailability implements the contract.
func (s *Server) GetAvailability(c echo.Context, _ InClub, params GetAvailabilityParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		need := lending.Need{Tools: or(params.Tool, nil), Models: or(params.ToolModel, nil), Kits: or(params.Kit, nil), Garage: or(params.Garage, ""), Now: in.now}
		hours := or(params.DurationHours, 72)
		window := in.outlook(params.From, params.Until)
		if len(need.Tools)+len(need.Models)+len(need.Kits) == 0 {
			in.fault = problem.Invalid(problem.Fault{Pointer: "?tool", Detail: "name what is needed: `tool`, `tool_model` or `kit`, as often as there are"})
		}
		free := lending.CommonFreeAndWhy(b, need, window, time.Duration(hours)*time.Hour, or(params.First, 5))
		return func() (answer, error) {
			if faults := free.Unknown(lending.Pointers{Tool: "?tool", Model: "?tool_model", Kit: "?kit", Garage: "?garage"}); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			return ok(Availability{DurationHours: hours, Periods: each(free.Periods(), freePeriodOut), Failed: each(free.Failed(), failedOut), Summary: free.Summary()}), nil
		}
	})
}
