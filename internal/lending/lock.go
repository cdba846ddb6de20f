package lending

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/cutting"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
)

// tool is a tool that a line may be served by, locked.
type tool struct {
	ID                uuid.UUID
	Number            string
	State             string
	ModelID           uuid.UUID
	ModelCode         string
	Caution           string
	Changes           int64 // of the tool and its model
	HomeID            uuid.UUID
	HomeCode          string
	HomeVersion       int64
	PresentID         uuid.UUID // the garage in which it is while it is in the house
	TurnaroundHours   *int
	ValueMinor        *int64
	DepositMinor      *int64
	ApprovalNeeded    bool
	CertificateNeeded bool
	SizeNm            *int64
	DueOn             *time.Time // by its newest calibration
	Loans             int        // there ever were

	place *opening.Place `db:"-"` // its home garage
}

const inService = "in_service"

type modelName struct {
	ID   uuid.UUID
	Code string
}

// heldRow is a stretch for which a tool is promised.
type heldRow struct {
	ToolID    uuid.UUID
	HeldFrom  time.Time
	HeldUntil time.Time
	Ends      time.Time // of the period
	State     string
	Booking   uuid.UUID
	Line      int
}

// kitPart is one part of a kit: a tool, or any of a model; neither of a kit
// without parts.
type kitPart struct {
	KitID   uuid.UUID
	Code    string
	Version int64
	Label   string // the tool's number or the model's code
	ToolID  *uuid.UUID
	ModelID *uuid.UUID
}

func (k kitPart) empty() bool { return k.ToolID == nil && k.ModelID == nil }

// basis is what was looked up and locked for a decision.
type basis struct {
	borrower   borrower
	rules      ClubRules
	tools      *postgres.Rows[tool]
	held       *postgres.Rows[heldRow]
	kits       *postgres.Rows[kitPart] // nil: none is asked for
	garages    *postgres.Rows[counterRow]
	places     *opening.Table
	cutting    *cutting.Known // nil: no bore is named
	clerk      bool           // the borrower is one, or one records it
	turnaround time.Duration
	left       leaving
}

// leaving are the lines, by reservation, whose places a change gives up.
type leaving map[uuid.UUID][]int

// Order is a wish with what was looked up and locked for it.
type Order struct {
	basis
	wish            Wish
	models          *postgres.Rows[modelName]
	recommendations *postgres.Rows[uuid.UUID]
	parts           []part
}

// outlook is how far ahead the next free stretch is looked for.
const outlook = 180 * 24 * time.Hour

// What can be before and after a period at most, by the bounds of the tables.
const (
	longestTurnaround = 240 * time.Hour
	longestTravel     = 20160 * time.Minute
)

// names are what lines call tools, models and kits, by ids and by the people's own
// names.
type names struct {
	toolIDs, modelIDs, kitIDs []uuid.UUID
	numbers, codes, kitCodes  []string
}

func (w Wish) names() names {
	var n names
	sort := func(text string, ids *[]uuid.UUID, names *[]string) {
		if text == "" {
			return
		}
		if id, name := named(text); id != nil {
			*ids = append(*ids, *id)
		} else {
			*names = append(*names, *name)
		}
	}
	for _, line := range w.Lines {
		for _, l := range append([]Line{line}, line.OneOf...) {
			sort(l.Tool, &n.toolIDs, &n.numbers)
			sort(l.Model, &n.modelIDs, &n.codes)
			sort(l.Kit, &n.kitIDs, &n.kitCodes)
		}
	}
	return n
}

func (n names) arguments(club uuid.UUID) []any {
	return []any{club, n.toolIDs, n.numbers, n.modelIDs, n.codes, n.kitIDs, n.kitCodes}
}

// wanted are the ids of all tools that may serve a line. Each name is looked up
// by its own index (tool_number, tool_model_code, tool_of_model, kit_code), where
// conditions joined by "or" would read every tool of the club.
const wanted = `array(
	with asked_kit as (
		select id from kit where club_id = $1 and id = any($6::uuid[])
		union select id from kit where club_id = $1 and code = any($7::text[])
	), asked_model as (
		select id from tool_model where club_id = $1 and id = any($4::uuid[])
		union select id from tool_model where club_id = $1 and code = any($5::text[])
		union select p.model_id from asked_kit k join kit_part p on p.club_id = $1 and p.kit_id = k.id where p.model_id is not null
	)
	select id from tool where club_id = $1 and id = any($2::uuid[])
	union select id from tool where club_id = $1 and number = any($3::text[])
	union select t.id from asked_model m join tool t on t.club_id = $1 and t.model_id = m.id
	union select p.tool_id from asked_kit k join kit_part p on p.club_id = $1 and p.kit_id = k.id where p.tool_id is not null)`

const toolColumns = `
	select t.id, t.number, t.state, t.model_id, m.code as model_code, m.caution, t.version + m.version - 2 as changes, t.garage_id as home_id, g.code as home_code, g.version as home_version,
	       coalesce(t.place_garage_id, t.garage_id) as present_id, m.turnaround_hours, coalesce(t.value_minor, m.value_minor) as value_minor,
	       coalesce(t.deposit_minor, m.deposit_minor) as deposit_minor, m.approval_needed, m.certificate_needed, m.size_nm,
	       (select c.due_on from calibration c where c.club_id = t.club_id and c.tool_id = t.id order by c.calibrated_on desc, c.id desc limit 1) as due_on,
	       (select count(*) from loan l where l.club_id = t.club_id and l.tool_id = t.id) as loans
	from tool t
	join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	join garage g on g.club_id = t.club_id and g.id = t.garage_id `

// Lock queues the lookups of w for who: the member is locked, then every tool
// that may serve a line, in the order of ids, until the end of the write; what
// they are promised for is read behind the locks, so that it is still true when
// the write commits.
func Lock(b *postgres.Batch, who Borrower, w Wish) *Order {
	n := w.names()
	o := &Order{wish: w}
	o.borrower = lockBorrower(b, who)
	args := n.arguments(b.Club)
	o.tools = postgres.Query[tool](b, toolColumns+`where t.club_id = $1 and t.id = any(`+wanted+`) order by t.id for no key update of t`, args...)
	o.models = postgres.Query[modelName](b, `select id, code from tool_model where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, n.modelIDs, n.codes)
	if len(n.kitIDs)+len(n.kitCodes) > 0 {
		o.kits = postgres.Query[kitPart](b, `
			select k.id as kit_id, k.code, k.version, coalesce(t.number, m.code, '') as label, p.tool_id, p.model_id
			from kit k
			left join kit_part p on p.club_id = k.club_id and p.kit_id = k.id
			left join tool t on t.club_id = p.club_id and t.id = p.tool_id
			left join tool_model m on m.club_id = p.club_id and m.id = p.model_id
			where k.club_id = $1 and (k.id = any($2) or k.code = any($3)) and k.retired_at is null
			order by k.id, p.ordinal`, b.Club, n.kitIDs, n.kitCodes)
	}
	span := w.span()
	// Served by booking_ahead and booking_out: a tool that is out is promised to whoever
	// has it until it is back, however long ago it was due.
	o.held = postgres.Query[heldRow](b, `
		select w.tool_id, lower(b.held) as held_from, upper(b.held) as held_until, upper(b.period) as ends, b.state, b.reservation_id as booking, b.line
		from unnest(`+wanted+`) as w(tool_id)
		join booking b on b.club_id = $1 and b.tool_id = w.tool_id
		where b.state not in ('cancelled', 'lost') and b.held_until > $8 and b.held && tstzrange($8, $9)
		union
		select w.tool_id, lower(b.held), upper(b.held), upper(b.period), b.state, b.reservation_id, b.line
		from unnest(`+wanted+`) as w(tool_id)
		join booking b on b.club_id = $1 and b.tool_id = w.tool_id where b.state = 'out'`, append(args, span.From, span.Until)...)
	o.lookAround(b, who, w.Now, w.garages(), `t.id = any(`+wanted+`)`, args)
	if w.namesBore() {
		o.cutting = cutting.QueueOf(b, wanted, args[1:]...)
	}
	if w.Recommendation != nil {
		o.recommendations = postgres.Values[uuid.UUID](b, `select id from recommendation where club_id = $1 and id = $2`, b.Club, *w.Recommendation)
	}
	return o
}

// lookAround queues the club's rules, what they ask of the borrower, and the
// garages. tools is a condition on tool t with its arguments.
func (o *basis) lookAround(b *postgres.Batch, who Borrower, now time.Time, garages []string, tools string, args []any) {
	o.rules = FindRules(b)
	o.borrower.lookAround(b, who, now)
	o.borrower.counts = postgres.Query[modelCount](b, `
		select m.id as model_id, m.code, (select count(*)::integer from tool s where s.club_id = m.club_id and s.model_id = m.id and s.state = 'in_service') as in_service
		from (select distinct t.model_id from tool t where t.club_id = $1 and `+tools+`) as asked join tool_model m on m.club_id = $1 and m.id = asked.model_id
		where exists (select from lending_rule r where r.club_id = $1 and r.fair_share_percent is not null)`, args...)
	o.lookAtPlaces(b, garages, now)
}

// span is a stretch that covers everything that w may come to hold.
func (w Wish) span() Period {
	var span Period
	for i := range w.Lines {
		if when, _ := w.in(i); when.isGiven() {
			s := when.span()
			if span.From.IsZero() || s.From.Before(span.From) {
				span.From = s.From
			}
			if s.Until.After(span.Until) {
				span.Until = s.Until
			}
		}
	}
	if w.NextFree > 0 {
		span = Period{From: w.Now, Until: w.Now.Add(outlook)}
	}
	if span.Until.Before(span.From) {
		span.Until = span.From // a fault that is told later; here it must only not break the query
	}
	return Period{From: span.From.Add(-longestTravel), Until: span.Until.Add(longestTravel + longestTurnaround)}.kept()
}

// serving returns the tools that may serve p, by number; nil when there is
// nothing of that name.
func (o *Order) serving(p part) []*tool {
	var out []*tool
	if p.tool != "" {
		id, name := named(p.tool)
		for i := range o.tools.Items {
			if t := &o.tools.Items[i]; id != nil && t.ID == *id || name != nil && t.Number == *name {
				out = append(out, t)
			}
		}
		return out
	}
	model, known := o.model(p)
	if !known {
		return nil
	}
	out = []*tool{}
	for i := range o.tools.Items {
		if t := &o.tools.Items[i]; t.ModelID == model {
			out = append(out, t)
		}
	}
	slices.SortFunc(out, func(a, b *tool) int { return cmp.Compare(a.Number, b.Number) })
	return out
}

// model is the id of the model that p names.
func (o *Order) model(p part) (uuid.UUID, bool) {
	id, name := named(p.model)
	if p.kit != nil && id != nil {
		return *id, true // the kit's key says that there is such a model
	}
	for _, m := range o.models.Items {
		if id != nil && m.ID == *id || name != nil && m.Code == *name {
			return m.ID, true
		}
	}
	return uuid.Nil, false
}

// kitNamed returns the parts of a kit; nil when there is none of that name.
func (o *Order) kitNamed(text string) []kitPart {
	id, name := named(text)
	var out []kitPart
	for _, k := range o.kits.Items {
		if id != nil && k.KitID == *id || name != nil && k.Code == *name {
			out = append(out, k)
		}
	}
	return out
}

// has reports whether a promise is one that the change gives up.
func (l leaving) has(booking uuid.UUID, line int) bool { return slices.Contains(l[booking], line) }
