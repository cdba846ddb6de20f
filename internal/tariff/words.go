package tariff

import (
	"fmt"

	"pinwright/internal/calc/money"
)

// Part is one part of a charge, in words.
type Part struct {
	Name   string // flat, wear, consumables, least, late or damage
	Minor  int64
	Detail string
}

// amount writes minor units of a currency.
func amount(minor int64, currency string) string {
	return money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text()
}

// Parts are the parts of r that come to something or need a word, in words. damage is
// what was said of it.
func (r Reckoned) Parts(currency, damage string) []Part {
	text := func(minor int64) string { return amount(minor, currency) }
	var out []Part
	add := func(name string, minor int64, format string, args ...any) {
		out = append(out, Part{Name: name, Minor: minor, Detail: fmt.Sprintf(format, args...)})
	}
	if r.Exempt != "" {
		add("wear", 0, "%s pay for damage only.", exempted[r.Exempt])
	} else {
		if r.Flat > 0 {
			add("flat", r.Flat, "The model's charge for each loan.")
		}
		add("wear", r.Wear, "%s", r.toldWear(currency))
		if r.Consumables > 0 {
			add("consumables", r.Consumables, "%s at %s.", units(r.Units, r.Unit), text(r.PerUnit))
		}
		if r.Least > 0 {
			add("least", r.Least, "A loan costs %s at least.", text(r.AtLeast))
		}
	}
	switch {
	case r.Late > 0 && r.LateMost != nil && r.Late == *r.LateMost:
		add("late", r.Late, "%s late by the garage's calendar; %s at most.", count(int64(r.LateDays), "day", "days"), text(*r.LateMost))
	case r.Late > 0 && r.GraceDays > 0:
		add("late", r.Late, "%s late by the garage's calendar, %s of grace: %d × %s.", count(int64(r.LateDays), "day", "days"), count(int64(r.GraceDays), "day", "days"), r.LateDays-r.GraceDays, text(r.LateFee))
	case r.Late > 0:
		add("late", r.Late, "%s late by the garage's calendar: %d × %s.", count(int64(r.LateDays), "day", "days"), r.LateDays, text(r.LateFee))
	case r.LateDays > 0 && r.Exempt == "" && r.LateFee > 0:
		add("late", 0, "%s late by the garage's calendar, within %s of grace.", count(int64(r.LateDays), "day", "days"), count(int64(r.GraceDays), "day", "days"))
	}
	if r.Damage > 0 {
		add("damage", r.Damage, "%s", damage)
	}
	return out
}

// toldWear tells how the wear was reckoned.
func (r Reckoned) toldWear(currency string) string {
	other := int64(0)
	for _, u := range r.Uses {
		if u.Work != r.Unit {
			other++
		}
	}
	aside := ""
	if other > 0 {
		aside = fmt.Sprintf(" %s in another unit than %s, which wear is reckoned by: not charged.", count(other, "use was counted", "uses were counted"), unitName(r.Unit))
	}
	if r.Units == 0 {
		return "No " + unitName(r.Unit) + ", so no wear." + aside
	}
	out := toldBasis(r.Basis, r.Unit, currency) + toldDefaults(r.Defaults)
	switch s := r.Span; {
	case s.Left() == 0:
		return out + " All of that life has been charged, so nothing more is; estimate it anew, or record that the tool was replaced." + aside
	default:
		out += fmt.Sprintf(" %s over %s", amount(s.Value, currency), units(s.Life, r.Unit))
		if value, err := r.Basis.Value(); err == nil && (s.Value != value || s.Life != r.Basis.Life) {
			out += " are left of it by this estimate"
		}
		if s.Done.Units > 0 {
			out += fmt.Sprintf("; %s were charged for %s before", amount(s.Done.Charged, currency), units(s.Done.Units, r.Unit))
		}
		out += fmt.Sprintf("; %s more: %s.", units(r.Units, r.Unit), amount(r.Wear, currency))
		if r.Units > s.Left() {
			out += fmt.Sprintf(" %s beyond the expected life are free.", units(r.Units-s.Left(), r.Unit))
		}
		return out + aside
	}
}

func unitName(unit string) string {
	if unit == "other" {
		return "uses"
	}
	return unit
}

// Difference is what of a quote came to be charged otherwise, and why.
type Difference struct {
	Name            string
	Quoted, Charged int64
	Why             string
}

// Against tells where r, a charge, differs from what was quoted. damage is what was said
// of it.
func (r Reckoned) Against(quoted Reckoned, currency, damage string) []Difference {
	var out []Difference
	add := func(name string, was, is int64, why string) {
		if was != is {
			out = append(out, Difference{Name: name, Quoted: was, Charged: is, Why: why})
		}
	}
	exempt := ""
	switch {
	case r.Exempt != "" && quoted.Exempt == "":
		exempt = exempted[r.Exempt] + " pay for damage only, which did not apply when it was quoted."
	case r.Exempt == "" && quoted.Exempt != "":
		exempt = "It was quoted for " + exempted[quoted.Exempt] + ", who pay for damage only, which did not apply any more."
	}
	or := func(why string) string {
		if exempt != "" {
			return exempt
		}
		return why
	}
	edition := ""
	if r.CostNumber != quoted.CostNumber {
		edition = fmt.Sprintf(" The quote rests on edition %d of the costs, the charge on edition %d, which was valid when the loan began.", quoted.CostNumber, r.CostNumber)
	}
	expected := fmt.Sprintf("%s expected, %s made.", units(quoted.Units, quoted.Unit), units(r.Units, r.Unit))
	wear := expected + edition
	if r.Units == quoted.Units {
		wear = "As many as were expected." + edition
		if edition == "" {
			wear += " Other loans were charged since, and what a tool's life was charged so far is rounded as a whole."
		}
	}
	add("flat", quoted.Flat, r.Flat, or("The model's charge for each loan was changed."))
	add("wear", quoted.Wear, r.Wear, or(wear))
	consumables := expected
	if r.PerUnit != quoted.PerUnit {
		consumables += fmt.Sprintf(" The quote rests on edition %d of the club's rules, the charge on edition %d: %s for each, not %s.", quoted.RuleNumber, r.RuleNumber, amount(r.PerUnit, currency), amount(quoted.PerUnit, currency))
	}
	add("consumables", quoted.Consumables, r.Consumables, or(consumables))
	add("least", quoted.Least, r.Least, or(fmt.Sprintf("The rest came to %s, not %s; a loan costs %s at least.", amount(r.Flat+r.Wear+r.Consumables, currency), amount(quoted.Flat+quoted.Wear+quoted.Consumables, currency), amount(r.AtLeast, currency))))
	add("late", quoted.Late, r.Late, fmt.Sprintf("It came back %s late; a quote reckons with none.", count(int64(r.LateDays), "day", "days")))
	add("damage", quoted.Damage, r.Damage, "Damage: "+damage)
	return out
}
