package tariff

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
	"pinwright/internal/calc/production"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Costs are an edition of what tools of a model cost and are expected to do.
type Costs struct {
	ID              uuid.UUID
	ModelID         uuid.UUID
	Number          int64 // 1, 2, 3 … of the model; 0: what is usual
	ValidFrom       time.Time
	CostMinor       int64
	Sharpenings     int
	SharpeningMinor int64 // each
	ResidualMinor   int64
	Life            int64
	Unit            string   // as of uses: holes, pulls, pressings, measurements or other
	Defaults        []string // which of them are what is usual
	Note            string   `json:"-"`
	MemberID        uuid.UUID
	RecordedAt      time.Time
}

// Values are the names of what costs consist of.
var Values = []string{"cost", "sharpenings", "sharpening_cost", "residual", "life"}

// Usual is what a tool of that kind costs and does where nothing else is known, in
// hundredths of the currency: orders of magnitude, common practice, no published
// source. What the club says its model is worth takes the place of the cost.
func Usual(kind string, worth *int64) Costs {
	c, known := map[string]Costs{
		"reamer":            {CostMinor: 6000, Sharpenings: 2, SharpeningMinor: 1500, Life: 150, Unit: "holes"},
		"puller":            {CostMinor: 12000, ResidualMinor: 2000, Life: 400, Unit: "pulls"},
		"press":             {CostMinor: 40000, ResidualMinor: 10000, Life: 2000, Unit: "pressings"},
		"pin_gauge":         {CostMinor: 500, Life: 1000, Unit: "measurements"},
		"plug_gauge":        {CostMinor: 4000, Life: 1000, Unit: "measurements"},
		"micrometer":        {CostMinor: 9000, ResidualMinor: 2000, Life: 5000, Unit: "measurements"},
		"inside_micrometer": {CostMinor: 11000, ResidualMinor: 2000, Life: 5000, Unit: "measurements"},
		"caliper":           {CostMinor: 4000, Life: 5000, Unit: "measurements"},
		"bore_gauge":        {CostMinor: 15000, ResidualMinor: 3000, Life: 3000, Unit: "measurements"},
		"telescoping_gauge": {CostMinor: 4000, Life: 3000, Unit: "measurements"},
		"drift":             {CostMinor: 1500, Life: 300, Unit: "other"},
	}[kind]
	if !known {
		c = Costs{CostMinor: 5000, Life: 500, Unit: "other"}
	}
	c.Defaults = append([]string(nil), Values...)
	if worth != nil {
		c.CostMinor, c.ResidualMinor = *worth, min(c.ResidualMinor, *worth)
		c.Defaults = c.Defaults[1:]
	}
	return c
}

// Given are costs as the club says them; nil: what is usual.
type Given struct {
	CostMinor, SharpeningMinor, ResidualMinor *int64
	Sharpenings                               *int
	Life                                      *int64
	Unit                                      *string
}

// Filled are the costs that g gives, with what is usual for what it leaves out.
func (g Given) Filled(kind string, worth *int64) (Costs, error) {
	c := Usual(kind, worth)
	said := map[string]bool{}
	take := func(name string, given *int64, into *int64) {
		if given != nil {
			*into, said[name] = *given, true
		}
	}
	take("cost", g.CostMinor, &c.CostMinor)
	take("sharpening_cost", g.SharpeningMinor, &c.SharpeningMinor)
	take("residual", g.ResidualMinor, &c.ResidualMinor)
	take("life", g.Life, &c.Life)
	if g.Sharpenings != nil {
		c.Sharpenings, said["sharpenings"] = *g.Sharpenings, true
	}
	if g.Unit != nil {
		if *g.Unit != c.Unit && g.Life == nil {
			return c, problem.Invalid(problem.Fault{Pointer: "/life", Detail: "must be given with a unit other than " + c.Unit + ", which is usual for this kind of tool"})
		}
		c.Unit = *g.Unit
	}
	if !said["residual"] {
		c.ResidualMinor = min(c.ResidualMinor, c.CostMinor)
	}
	var left []string
	for _, name := range c.Defaults {
		if !said[name] {
			left = append(left, name)
		}
	}
	c.Defaults = append([]string{}, left...)
	if _, err := c.Basis().Value(); err != nil {
		return c, problem.Invalid(problem.Fault{Pointer: "/residual", Detail: "is more than the cost and all sharpenings together; give less"})
	}
	return c, nil
}

// Basis is what c is to the reckoning.
func (c Costs) Basis() production.Basis {
	return production.Basis{Cost: c.CostMinor, Sharpenings: int64(c.Sharpenings), SharpeningFee: c.SharpeningMinor, Residual: c.ResidualMinor, Life: c.Life}
}

const costColumns = `id, model_id, number, valid_from, cost_minor, sharpenings, sharpening_minor, residual_minor, life, unit, defaults, note, member_id, recorded_at`

const ofModel = ` from tool_cost where club_id = $1 and model_id = (select id from tool_model where club_id = $1 and (id = $2 or code = $3)) `

// ListCosts lists editions of a model, newest first, with numbers below before. Served
// by tool_cost_edition.
func ListCosts(b *postgres.Batch, model postgres.Ref, before int64, limit int) *postgres.Rows[Costs] {
	return postgres.Query[Costs](b, `select `+costColumns+ofModel+`and number < $4 order by number desc limit $5`, b.Club, model.ID, model.Name, before, limit)
}

// CostsOn is the edition of a model that is valid on a day; no row: as usual.
func CostsOn(b *postgres.Batch, model postgres.Ref, day time.Time) *postgres.Rows[Costs] {
	return postgres.Query[Costs](b, `select `+costColumns+ofModel+`and valid_from <= $4::date order by number desc limit 1`, b.Club, model.ID, model.Name, day)
}

// AddCosts records c as the next edition after newest.
func AddCosts(tx *postgres.Tx, newest *postgres.Rows[Costs], c Costs) (Costs, error) {
	number, day := newestOf(newest, func(e Costs) (int64, time.Time) { return e.Number, e.ValidFrom })
	if err := validFrom(c.ValidFrom, day, tx.Now); err != nil {
		return c, err
	}
	c.ID, c.Number, c.RecordedAt = uuid.Must(uuid.NewV7()), number+1, kept(tx.Now)
	tx.Queue(`insert into tool_cost (club_id, `+costColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`,
		tx.Club, c.ID, c.ModelID, c.Number, c.ValidFrom, c.CostMinor, c.Sharpenings, c.SharpeningMinor, c.ResidualMinor, c.Life, c.Unit, c.Defaults, c.Note, c.MemberID, c.RecordedAt).
		RunAgainOn("tool_cost_edition")
	journal.Append(tx, journal.Event{Type: "tool_costs.set", Subject: c.ID, Version: 1, Audience: journal.ForClub, Actor: c.MemberID}, c)
	return c, nil
}

// Summary tells the costs in words.
func (c Costs) Summary(currency string) string {
	value, err := c.Basis().Value()
	if err != nil {
		return "" // the table holds no such edition
	}
	return toldBasis(c.Basis(), c.Unit, currency) + " A tool's life bears " + money.Amount{Minor: value, Currency: money.Currency(currency)}.Text() + "." + toldDefaults(c.Defaults)
}

// toldBasis tells what a tool costs and does.
func toldBasis(b production.Basis, unit, currency string) string {
	text := func(minor int64) string {
		return money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text()
	}
	out := "Bought for " + text(b.Cost)
	if b.Sharpenings > 0 {
		out += fmt.Sprintf(", %s at %s", count(b.Sharpenings, "sharpening", "sharpenings"), text(b.SharpeningFee))
	}
	if b.Residual > 0 {
		out += ", worth " + text(b.Residual) + " in the end"
	}
	return out + ", and expected to do " + units(b.Life, unit) + "."
}

func toldDefaults(defaults []string) string {
	if len(defaults) == 0 {
		return ""
	}
	return " By what is usual (common practice, no published source): " + strings.ReplaceAll(strings.Join(defaults, ", "), "_", " ") + "."
}

// units is so many of a unit, in words.
func units(n int64, unit string) string {
	if unit == "other" {
		return count(n, "use", "uses")
	}
	return count(n, strings.TrimSuffix(unit, "s"), unit)
}
