package api

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tariff"
	"pinwright/internal/tool"
)

func chargeRulesOut(r tariff.Rules, currency string) ChargeRules {
	out := ChargeRules{Edition: r.Number, LatePerDay: moneyOut(r.LateMinor, currency), LateGraceDays: r.LateGraceDays, Least: moneyOut(r.LeastMinor, currency),
		Consumables: []Consumable{}, Exempt: []ChargeRulesExempt{}, Note: present(r.Note), Summary: r.Summary(currency)}
	if r.LateMostMinor != nil {
		out.LateMost = pointerTo(moneyOut(*r.LateMostMinor, currency))
	}
	for kind, minor := range r.Consumables {
		out.Consumables = append(out.Consumables, Consumable{Kind: ToolKind(kind), PerUnit: moneyOut(minor, currency)})
	}
	slices.SortFunc(out.Consumables, func(a, b Consumable) int { return cmp.Compare(a.Kind, b.Kind) })
	for _, who := range r.Exempt {
		out.Exempt = append(out.Exempt, ChargeRulesExempt(who))
	}
	if r.Number > 0 {
		out.Id, out.ValidFrom, out.ByMember, out.RecordedAt = &r.ID, &openapi_types.Date{Time: r.ValidFrom}, &r.MemberID, pointerTo(r.RecordedAt.UTC())
	}
	return out
}

// amounts collects amounts of a request with what is wrong with them.
type amounts struct {
	in     *call
	faults []problem.Fault
}

func (a *amounts) of(pointer string, given *MoneyIn) *int64 {
	minor, faults := a.in.minorOf(pointer, given)
	a.faults = append(a.faults, faults...)
	return minor
}

func chargeRulesIn(in *call, body ChargeRulesIn) (tariff.Rules, error) {
	a := amounts{in: in}
	r := tariff.Rules{ValidFrom: body.ValidFrom.Time, LateMinor: or(a.of("/late_per_day", body.LatePerDay), 0), LateMostMinor: a.of("/late_most", body.LateMost),
		LateGraceDays: or(body.LateGraceDays, 0), LeastMinor: or(a.of("/least", body.Least), 0), Consumables: map[string]int64{}, Exempt: []string{}, Note: or(body.Note, ""), MemberID: in.caller.MemberID}
	for i, c := range or(body.Consumables, nil) {
		if _, twice := r.Consumables[string(c.Kind)]; twice {
			a.faults = append(a.faults, problem.Fault{Pointer: fmt.Sprintf("/consumables/%d/kind", i), Detail: "stands in the list already; name each kind of tool once"})
		}
		r.Consumables[string(c.Kind)] = or(a.of(fmt.Sprintf("/consumables/%d/per_unit", i), &c.PerUnit), 0)
	}
	for _, who := range or(body.Exempt, nil) {
		r.Exempt = append(r.Exempt, string(who))
	}
	if r.LateMostMinor != nil && *r.LateMostMinor < r.LateMinor {
		a.faults = append(a.faults, problem.Fault{Pointer: "/late_most", Detail: "is less than one day late costs; give as much or more, or leave it out for no limit"})
	}
	return r, orInvalid(nil, a.faults)
}

// ListChargeRules implements the contract.
func (s *Server) ListChargeRules(c echo.Context, _ InClub, _ ListChargeRulesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		now, rows := tariff.RulesOn(b, in.now), tariff.ListRules(b, in.pageNumber(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(r tariff.Rules) []string { return []string{strconv.FormatInt(r.Number, 10)} })
			out := ChargeRulesPage{Items: each(items, func(r tariff.Rules) ChargeRules { return chargeRulesOut(r, in.caller.Currency) }), Next: next}
			out.Present = chargeRulesOut(append(now.Items, tariff.Rules{})[0], in.caller.Currency)
			return in.listed(out, next), nil
		}
	})
}

// CreateChargeRules implements the contract.
func (s *Server) CreateChargeRules(c echo.Context, _ InClub, _ CreateChargeRulesParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ChargeRulesIn](in)
		newest := tariff.NewestRules(b)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := chargeRulesIn(in, body)
			if err != nil {
				return answer{}, err
			}
			r, err = tariff.AddRules(tx, newest, r)
			return created("", chargeRulesOut(r, in.caller.Currency)), err
		}
	})
}

func toolCostsOut(e tariff.Costs, model, currency string) ToolCosts {
	value, err := e.Basis().Value()
	if err != nil {
		value = 0 // the table holds no such edition
	}
	from := func(name string) ValueSource {
		if slices.Contains(e.Defaults, name) {
			return "default"
		}
		return "club"
	}
	out := ToolCosts{Edition: e.Number, ToolModel: model, Cost: moneyOut(e.CostMinor, currency), Sharpenings: e.Sharpenings, SharpeningCost: moneyOut(e.SharpeningMinor, currency),
		Residual: moneyOut(e.ResidualMinor, currency), Life: e.Life, Unit: ChargedUnit(e.Unit), ToCharge: moneyOut(value, currency), Note: present(e.Note), Summary: e.Summary(currency)}
	out.Sources.Cost, out.Sources.Sharpenings, out.Sources.SharpeningCost, out.Sources.Residual, out.Sources.Life =
		from("cost"), from("sharpenings"), from("sharpening_cost"), from("residual"), from("life")
	if e.Number > 0 {
		out.Id, out.ValidFrom, out.ByMember, out.RecordedAt = &e.ID, &openapi_types.Date{Time: e.ValidFrom}, &e.MemberID, pointerTo(e.RecordedAt.UTC())
	}
	return out
}

// ListToolCosts implements the contract.
func (s *Server) ListToolCosts(c echo.Context, _ InClub, model InToolModel, _ ListToolCostsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		ref := postgres.ParseRef(model)
		found, now, rows := tool.FindModel(b, ref), tariff.CostsOn(b, ref, in.now), tariff.ListCosts(b, ref, in.pageNumber(p), p.limit+1)
		return func() (answer, error) {
			m, err := found.One()
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(e tariff.Costs) []string { return []string{strconv.FormatInt(e.Number, 10)} })
			out := ToolCostsPage{Items: each(items, func(e tariff.Costs) ToolCosts { return toolCostsOut(e, m.Code, in.caller.Currency) }), Next: next}
			out.Present = toolCostsOut(append(now.Items, tariff.Usual(string(m.Kind), m.ValueMinor))[0], m.Code, in.caller.Currency)
			return in.listed(out, next), nil
		}
	})
}

// CreateToolCosts implements the contract.
func (s *Server) CreateToolCosts(c echo.Context, _ InClub, model InToolModel, _ CreateToolCostsParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolCostsIn](in)
		ref := postgres.ParseRef(model)
		found, newest := tool.FindModel(b, ref), tariff.ListCosts(b, ref, 1<<62, 1)
		return func(tx *postgres.Tx) (answer, error) {
			m, err := found.One()
			if err != nil {
				return answer{}, err
			}
			a := amounts{in: in}
			given := tariff.Given{CostMinor: a.of("/cost", body.Cost), SharpeningMinor: a.of("/sharpening_cost", body.SharpeningCost), ResidualMinor: a.of("/residual", body.Residual),
				Sharpenings: body.Sharpenings, Unit: (*string)(body.Unit)}
			if body.Life != nil {
				given.Life = pointerTo(int64(*body.Life))
			}
			costs, err := given.Filled(string(m.Kind), m.ValueMinor)
			if err := together(orInvalid(nil, a.faults), err); err != nil {
				return answer{}, err
			}
			costs.ModelID, costs.ValidFrom, costs.Note, costs.MemberID = m.ID, body.ValidFrom.Time, or(body.Note, ""), in.caller.MemberID
			costs, err = tariff.AddCosts(tx, newest, costs)
			return created("", toolCostsOut(costs, m.Code, in.caller.Currency)), err
		}
	})
}
