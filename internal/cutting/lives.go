package cutting

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/calc/survival"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

// End says how a tool's life ended, or that it has not.
type End string

// The ends. Seen and Found are failures: it was replaced, sharpened or adjusted at that number of uses, or a keeper found it bad and so
// it failed since the look before; a tool that went otherwise, or goes on, tells only that it lasted so long.
const (
	Seen    End = "seen"
	Found   End = "found"
	Lost    End = "lost"
	Retired End = "retired"
	GoesOn  End = "goes_on"
)

// LivedRow is one life of a tool, counted in uses.
type LivedRow struct {
	ToolID uuid.UUID
	Number string
	Ended  End
	Life   survival.Life
}

type livesRow struct {
	ToolID    uuid.UUID
	Number    string
	ModelID   uuid.UUID
	ModelCode string
	Kind      tool.Kind
	State     string
	Event     string // sound, bad, renewed or now
	Uses      int64  // there were up to then
}

// Lives is what is known of how long tools last; its rows are filled when the batch was sent.
type Lives struct{ rows *postgres.Rows[livesRow] }

// QueueLives asks for the lives of the tools of a model, or, for nil, of every model that neither cuts nor measures. Served by
// tool_of_model, tool_use_of_tool, inspection_of_tool and tool_renewal_of_tool.
func QueueLives(b *postgres.Batch, model *postgres.Ref) *Lives {
	condition, args := `m.kind in ('puller', 'press', 'drift', 'other')`, []any{b.Club}
	if model != nil {
		condition, args = `m.id = (select n.id from tool_model n where n.club_id = $1 and (n.id = $2 or n.code = $3))`, append(args, model.ID, model.Name)
	}
	return &Lives{postgres.Query[livesRow](b, `
		select t.id as tool_id, t.number, t.model_id, m.code as model_code, m.kind, t.state, e.event, e.uses
		from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id
		cross join lateral (
			select c.event, c.at, c.place, c.id, sum(c.count) over (order by c.at, c.place, c.id rows unbounded preceding)::bigint as uses from (
				select 'use' as event, u.used_at as at, 0 as place, u.id, u.count from tool_use u where u.club_id = t.club_id and u.tool_id = t.id and u.voided_at is null
				union all
				select case when i.verdict = 'bad' then 'bad' else 'sound' end, i.inspected_at, 1, i.id, 0 from inspection i where i.club_id = t.club_id and i.tool_id = t.id
				union all
				select 'renewed', n.done_at, 2, n.id, 0 from tool_renewal n where n.club_id = t.club_id and n.tool_id = t.id and n.voided_at is null
				union all
				select 'now', 'infinity', 3, t.id, 0) c) e
		where t.club_id = $1 and e.event <> 'use' and `+condition+`
		order by m.code, t.number, t.id, e.at, e.place, e.id`, args...)}
}

// Lived tells the lives of all tools, model by model, tool by tool.
func (l *Lives) Lived() map[uuid.UUID][]LivedRow {
	out := map[uuid.UUID][]LivedRow{}
	var began, sound int64 // uses at which this life began, and was sound last
	var of uuid.UUID
	var failed bool // found bad, and not used since
	for _, r := range l.rows.Items {
		if r.ToolID != of {
			of, began, sound, failed = r.ToolID, 0, 0, false
		}
		add := func(end End, life survival.Life) {
			out[r.ModelID] = append(out[r.ModelID], LivedRow{r.ToolID, r.Number, end, life})
		}
		from, uses := float64(sound-began), float64(r.Uses-began)
		switch r.Event {
		case "sound":
			sound, failed = r.Uses, false
		case "bad":
			switch {
			case failed || uses == 0:
			case from == uses:
				add(Seen, survival.Ended(uses))
			default:
				add(Found, survival.Between(from, uses))
			}
			began, sound, failed = r.Uses, r.Uses, true
		case "renewed":
			if !failed && uses > 0 {
				add(Seen, survival.Ended(uses))
			}
			began, sound, failed = r.Uses, r.Uses, false
		case "now":
			if uses == 0 {
				continue
			}
			add(map[string]End{"lost": Lost, "retired": Retired}[r.State], survival.Lasting(uses))
			if last := &out[r.ModelID][len(out[r.ModelID])-1]; last.Ended == "" {
				last.Ended = GoesOn
			}
		}
	}
	return out
}

// Lasting is how long the tools of one model last.
type Lasting struct {
	Lived    []LivedRow
	Failures int
	Steps    []survival.Step    // where each failure was seen as it happened
	Spans    []survival.Stretch // where some were found at an inspection only
	Law      *survival.Weibull  // from survival.Few failures on
}

// Last tells how long tools with these lives last.
func Last(lived []LivedRow) (Lasting, error) {
	out := Lasting{Lived: lived}
	lives := postgres.Column(lived, func(l LivedRow) survival.Life { return l.Life })
	exact := true
	for _, l := range lived {
		if l.Ended == Seen || l.Ended == Found {
			out.Failures++
			exact = exact && l.Ended == Seen
		}
	}
	var err error
	switch {
	case len(lives) == 0:
		return out, nil
	case exact:
		out.Steps, err = survival.ProductLimit(lives, Coverage)
	default:
		out.Spans, err = survival.Turnbull(lives)
	}
	if err != nil {
		return out, fmt.Errorf("cutting: %w", err)
	}
	law, err := survival.FitWeibull(lives)
	switch {
	case err == nil:
		out.Law = &law
	case !errors.Is(err, survival.ErrFew) && !errors.Is(err, survival.ErrLife):
		return out, fmt.Errorf("cutting: %w", err)
	}
	return out, nil
}

// remaining tells of each tool in service how many uses it still gives, where a law of its model is told.
func (l *Lives) remaining() ([]Remaining, error) {
	var out []Remaining
	lived, laws := l.Lived(), map[uuid.UUID]Lasting{}
	for _, r := range l.rows.Items {
		if r.Event != "now" || r.State != "in_service" {
			continue
		}
		last, known := laws[r.ModelID]
		if !known {
			var err error
			if last, err = Last(lived[r.ModelID]); err != nil {
				return nil, err
			}
			laws[r.ModelID] = last
		}
		if last.Law == nil {
			continue
		}
		one := Remaining{ToolID: r.ToolID, Number: r.Number, ModelID: r.ModelID, Basis: ByLives, Seen: last.Failures}
		age := 0.0
		if at := slices.IndexFunc(lived[r.ModelID], func(x LivedRow) bool { return x.ToolID == r.ToolID && x.Ended == GoesOn }); at >= 0 {
			age = lived[r.ModelID][at].Life.From
		}
		gone := 1 - last.Law.Survival(age)
		for _, p := range Levels { // of what lasts until age, p fail by the quantile gone + p (1 - gone)
			one.Quantiles = append(one.Quantiles, math.Min(MostUses, math.Max(0, math.Floor(last.Law.Quantile(gone+p*(1-gone))-age))))
		}
		out = append(out, one)
	}
	return out, nil
}
