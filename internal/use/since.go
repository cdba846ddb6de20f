package use

import (
	"time"

	"pinwright/internal/postgres"
)

// Count is how much of a kind of work a tool did.
type Count struct {
	Work  string
	Uses  int
	Count int64
}

// Life is what a tool did since it was last renewed and since it was last calibrated.
type Life struct {
	Renewals         *postgres.Rows[Renewal] // the last, if any
	Calibrated       *postgres.Rows[time.Time]
	SinceRenewal     *postgres.Rows[Count]
	SinceCalibration *postgres.Rows[Count] // since the calibration; of no meaning without one
	Checks           *postgres.Rows[Check] // the last, if any
}

const (
	toolNamed      = `(select id from tool where club_id = $1 and (id = $2 or number = $3))`
	lastCalibrated = `(select c.calibrated_on::timestamp at time zone 'UTC' from calibration c where c.club_id = $1 and c.tool_id = ` + toolNamed + ` order by c.calibrated_on desc, c.id desc limit 1)`
	lastRenewed    = `(select n.done_at from tool_renewal n where n.club_id = $1 and n.tool_id = ` + toolNamed + ` and n.voided_at is null order by n.done_at desc, n.id desc limit 1)`
)

// FindLife counts what a tool did; the whole day of a calibration is counted, since the time of it is
// not known. Served by tool_use_of_tool, tool_renewal_of_tool, tool_check_of_tool and
// calibration_of_tool.
func FindLife(b *postgres.Batch, tool postgres.Ref) *Life {
	since := func(at string) *postgres.Rows[Count] {
		return postgres.Query[Count](b, `select u.work, count(*)::int as uses, sum(u.count)::bigint as count from tool_use u
			where u.club_id = $1 and u.tool_id = `+toolNamed+` and u.voided_at is null and u.used_at >= coalesce(`+at+`, '-infinity') group by u.work order by u.work`, b.Club, tool.ID, tool.Name)
	}
	return &Life{
		Renewals:         postgres.Query[Renewal](b, selectRenewal+` and n.tool_id = `+toolNamed+` and n.voided_at is null order by n.done_at desc, n.id desc limit 1`, b.Club, tool.ID, tool.Name),
		Calibrated:       postgres.Values[time.Time](b, `select at from `+lastCalibrated+` as c (at) where at is not null`, b.Club, tool.ID, tool.Name),
		SinceRenewal:     since(lastRenewed),
		SinceCalibration: since(lastCalibrated),
		Checks:           postgres.Query[Check](b, selectCheck+` and c.tool_id = `+toolNamed+` and c.voided_at is null order by c.checked_at desc, c.id desc limit 1`, b.Club, tool.ID, tool.Name),
	}
}
