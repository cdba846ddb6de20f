package cutting

import (
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

// Kind is what an event is.
type Kind string

// The kinds. Uses are holes that nobody verified; between two other events those of one material and
// lubricant come together.
const (
	Cut           Kind = "cut"
	CheckCut      Kind = "check_cut"
	CutterReading Kind = "cutter_reading"
	Used          Kind = "use"
	Sharpened     Kind = "sharpened"
	Adjusted      Kind = "adjusted"
	Replaced      Kind = "replaced"
)

func (k Kind) observes() bool { return k == Cut || k == CheckCut || k == CutterReading }
func (k Kind) renews() bool   { return k == Sharpened || k == Adjusted || k == Replaced }

// row is a reamer with one event; without one, Kind is nil.
type row struct {
	ToolID           uuid.UUID
	Number           string
	ModelID          uuid.UUID
	ModelCode        string
	MarkedNm         int64
	ToleranceLowerNm *int64
	Build            tool.Build
	State            string
	Kind             *Kind
	At               *time.Time
	SizeNm           *int64
	UNm              *int64
	DepthNm          *int64 // of all holes of the row
	Holes            *int64
	Material         *string
	Lubricant        *string
	Guidance         *string
}

// Known is what is known of reamers; its rows are filled when the batch was sent.
type Known struct{ rows *postgres.Rows[row] }

// usualDepth is the depth of a hole of which none was told, nm (common practice, no published source).
const usualDepth = 20_000_000

// events of the reamer t, in the order in which they happened. Of one cut the newest verification counts; the first use of
// a bore is its first cut, and so on, so that a hole that was both told and verified counts once. Uses
// between two other events are added up by material and lubricant. Served by reamer_cut_of_tool, tool_use_of_tool, tool_check_of_tool and
// tool_renewal_of_tool.
const events = `
	with cuts as (
		select c.*, row_number() over (partition by c.feature_id order by c.cut_at) as turn from (
			select distinct on (k.feature_id, k.cut_at) k.feature_id, k.cut_at, k.size_nm, k.u_nm, k.depth_nm from reamer_cut k
			where k.club_id = t.club_id and k.tool_id = t.id order by k.feature_id, k.cut_at, k.verification_id desc) c
	), uses as (
		select u.*, row_number() over (partition by u.feature_id order by u.used_at, u.id) as turn from tool_use u
		where u.club_id = t.club_id and u.tool_id = t.id and u.work = 'holes' and u.voided_at is null
	), all_events as (
		select 'cut' as kind, 2 as place, c.cut_at as at, c.size_nm, c.u_nm, coalesce(c.depth_nm, u.depth_nm, @usual) as depth_nm, 1::bigint as holes, u.material, u.lubricant, u.guidance
		from cuts c left join uses u on u.feature_id = c.feature_id and u.turn = c.turn
		union all
		select 'use', 1, u.used_at, null, null, coalesce(u.depth_nm, @usual) * u.count, u.count, u.material, u.lubricant, null
		from uses u where not exists (select from cuts c where c.feature_id = u.feature_id and c.turn = u.turn)
		union all
		select k.kind, 3, k.checked_at, k.size_nm, k.u_nm, coalesce(k.depth_nm, @usual), case when k.kind = 'check_cut' then 1 else 0 end, k.material, k.lubricant, k.guidance
		from tool_check k where k.club_id = t.club_id and k.tool_id = t.id and k.voided_at is null
		union all
		select n.kind, 0, n.done_at, null, null, 0, 0, null, null, null
		from tool_renewal n where n.club_id = t.club_id and n.tool_id = t.id and n.voided_at is null
	), counted as (
		select e.*, count(*) filter (where e.kind <> 'use') over (order by e.at, e.place, e.size_nm, e.depth_nm rows unbounded preceding) as turn from all_events e
	)
	select kind, at, size_nm, u_nm, depth_nm, holes, material, lubricant, guidance, turn, false as later from counted where kind <> 'use'
	union all
	select 'use', max(at), null, null, sum(depth_nm)::bigint, sum(holes)::bigint, material, lubricant, null, turn, true from counted where kind = 'use' group by turn, material, lubricant`

// queue asks for the reamers of which a condition on tool t holds, in which $1 is the club.
func queue(b *postgres.Batch, condition string, args ...any) *Known {
	return &Known{postgres.Query[row](b, `
		select t.id as tool_id, t.number, t.model_id, m.code as model_code, m.size_nm as marked_nm, m.tolerance_lower_nm, m.build, t.state,
			e.kind, e.at, e.size_nm, e.u_nm, e.depth_nm, e.holes, e.material, e.lubricant, e.guidance
		from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id left join lateral (`+strings.ReplaceAll(events, "@usual", strconv.Itoa(usualDepth))+`) e on true
		where t.club_id = $1 and m.kind = 'reamer' and m.size_nm is not null and (`+condition+`)
		order by t.number, t.id, e.turn, e.later, e.material, e.lubricant`, append([]any{b.Club}, args...)...)}
}

// Queue asks for one reamer.
func Queue(b *postgres.Batch, ref postgres.Ref) *Known {
	return queue(b, `t.id = $2 or t.number = $3`, ref.ID, ref.Name)
}

// QueueInService asks for all reamers that may be lent.
func QueueInService(b *postgres.Batch) *Known { return queue(b, `t.state = 'in_service'`) }

// QueueAll asks for all reamers that the club ever had.
func QueueAll(b *postgres.Batch) *Known { return queue(b, `true`) }

// QueueOf asks for the reamers among the tools whose ids an expression yields, which is a constant of
// the program in which $1 is the club and args begin with $2.
func QueueOf(b *postgres.Batch, ids string, args ...any) *Known {
	return queue(b, `t.id = any(`+ids+`)`, args...)
}
