package fund

import (
	"fmt"
	"math"
	"strings"
	"time"

	"pinwright/internal/calc/fund"
	"pinwright/internal/calc/money"
	"pinwright/internal/calc/uncertainty"
)

// Ends is the last day of a month that is looked at; month 0 is today. What would be the 30th of February is
// its last day.
func (b Basis) Ends(m int) time.Time {
	last := time.Date(b.Today.Year(), b.Today.Month()+time.Month(m)+1, 0, 0, 0, 0, 0, time.UTC)
	return last.AddDate(0, 0, min(0, b.Today.Day()-last.Day()))
}

// months are told by their names.
func (b Basis) named(m int) string { return b.Ends(m).Format("January 2006") }

// Minor is a number of minor units, whole.
func Minor(v float64) int64 { return int64(math.Round(math.Max(-1e15, math.Min(1e15, v)))) }

// Percent tells a probability, never as certain where it was only drawn.
func Percent(p float64, futures int) string {
	switch {
	case p == 0:
		return fmt.Sprintf("less than %s %%", short(300/float64(futures)))
	case p < 0.01:
		return short(100*p) + " %"
	case p > 0.995 && p < 1:
		return "more than 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func short(v float64) string { return fmt.Sprintf("%.1g", v) }

// Fails reports whether failure is likelier than the risk that is taken.
func (f Forecast) Fails() bool { return f.Foreseen.Failed.Value > f.Risk }

// Summary tells the forecast in a few sentences.
func (f Forecast) Summary(currency string) string {
	text := func(minor float64) string {
		return money.Amount{Minor: Minor(minor), Currency: money.Currency(currency)}.Text()
	}
	end := f.Foreseen.Months[Months].Balance
	out := fmt.Sprintf("The fund stands at %s. ", text(float64(f.Balance)))
	switch {
	case f.Balance < 0:
		return out + fmt.Sprintf("That is below nothing already: %s would have to be paid in for a chance of at most %s of running out within %d months.", text(-f.Foreseen.Spare.Value), Percent(f.Risk, f.Foreseen.Paths), Months)
	case len(f.Tools) == 0:
		return out + "Nobody borrowed a tool in the last two years and none is booked, so nothing is foreseen to come in or to be spent."
	case f.Foreseen.Failed.Value == 0:
		return out + fmt.Sprintf("In none of %d futures does it run out within %d months; then it has most likely about %s (%s to %s, nine in ten).", f.Foreseen.Paths, Months, text(end[2].Value), text(end[0].Value), text(end[4].Value))
	}
	out += fmt.Sprintf("The chance that it runs out within %d months is %s; the likeliest month for that is %s (%s). ", Months, Percent(f.Foreseen.Failed.Value, f.Foreseen.Paths), f.named(f.Foreseen.Likeliest), Percent(f.Foreseen.Months[f.Foreseen.Likeliest].First.Value, f.Foreseen.Paths))
	return out + f.Keeping(currency)
}

// Keeping tells what keeps failure at the risk.
func (f Forecast) Keeping(currency string) string {
	text := func(minor float64) string {
		return money.Amount{Minor: Minor(minor), Currency: money.Currency(currency)}.Text()
	}
	risk := Percent(f.Risk, f.Foreseen.Paths)
	if !f.Fails() {
		return fmt.Sprintf("That keeps within %s; %s could be spent otherwise today and it still would.", risk, text(math.Max(0, f.Foreseen.Spare.Value)))
	}
	ways := []string{}
	if v, ok := f.Times(); ok {
		ways = append(ways, fmt.Sprintf("charge %.2f times as much", v))
	}
	if v, ok := f.More(); ok {
		ways = append(ways, fmt.Sprintf("charge %s more for each use", text(v)))
	}
	ways = append(ways, fmt.Sprintf("pay %s into the fund today", text(-f.Foreseen.Spare.Value)))
	out := "To keep it at " + risk + ": " + strings.Join(ways, ", or ") + "."
	if len(ways) == 1 {
		out += " No charge does it alone, since too much falls due before enough can come in."
	}
	return out
}

// Times is how many times as much uses must bring to keep the risk, rounded up to a hundredth; false where
// that is no answer.
func (f Forecast) Times() (float64, bool) {
	v := f.Foreseen.Multiplier.Value
	return math.Ceil(v*100-1e-9) / 100, f.Foreseen.Income > 0 && v < 1000
}

// More is what each use must bring more to keep the risk, in whole minor units; below 0 where it may bring
// less; false where that is no answer.
func (f Forecast) More() (float64, bool) {
	v := f.Foreseen.PerUse.Value
	return math.Ceil(v - 1e-6), f.Foreseen.Uses > 0 && math.Abs(v) < 1e12
}

// Warnings tell what is not known and what may mislead.
func (f Forecast) Warnings(currency string) []uncertainty.Remark {
	var out []uncertainty.Remark
	say := func(code, format string, args ...any) {
		out = append(out, uncertainty.Remark{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	text := func(minor int64) string {
		return money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text()
	}
	if f.Bought > 0 && !f.FromFund {
		say("purchases_apart", "The books say that %s were spent on tools, and take none of it from the fund. Where tools were paid from what was put by, ask with `purchases=from_fund`.", text(f.Bought))
	}
	if list := f.which(func(t Tool) bool { return t.CostFrom == Nothing }); list != "" {
		say("cost_unknown", "What replacing costs is not known of %s, so nothing is counted for it. Give the tool or its model a value.", list)
	}
	if list := f.which(func(t Tool) bool { return t.PriceFrom == Nothing }); list != "" {
		say("price_unknown", "Nothing was charged for uses of %s and the model has no charge, so they bring the fund nothing. Say what its tools cost, or book what uses are charged.", list)
	}
	if f.Idle > 0 {
		say("not_borrowed", "%s of %d were not borrowed in two years and are not booked; nothing is foreseen for them.", count(f.Idle, "tool", "tools"), f.All)
	}
	if left := f.All - f.Idle - f.own(); left > 0 {
		say("too_many_tools", "%s that are asked for least are left out.", count(left, "tool", "tools"))
	}
	return out
}

func (b Basis) own() int {
	n := 0
	for _, t := range b.Tools {
		if !t.Added {
			n++
		}
	}
	return n
}

// Assumed tells what was taken without the club having said it.
func (f Forecast) Assumed() []uncertainty.Remark {
	var out []uncertainty.Remark
	say := func(code, format string, args ...any) {
		out = append(out, uncertainty.Remark{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	if len(f.Tools) == 0 {
		return out
	}
	if list := f.which(func(t Tool) bool { return t.LifeFrom == Usual }); list != "" {
		say("assumed_life", "How long %s last was taken as usual for their kind (common practice, no published source), give or take a third.", list)
	}
	if list := f.which(func(t Tool) bool { return t.LifeFrom != Usual }); list != "" {
		say("assumed_next_life", "What %s last once they were sharpened or replaced was taken as planned for the model, give or take a third.", list)
	}
	if list := f.which(func(t Tool) bool { return t.UsesFrom == Usual }); list != "" {
		say("assumed_uses", "No use of %s was recorded, so loans were taken to have as many as usual (common practice, no published source).", list)
	}
	if list := f.which(func(t Tool) bool { return t.Cost != nil && t.SharpeningFrom == Usual && t.Sharpenings > 0 }); list != "" {
		say("assumed_sharpening", "What sharpening %s costs was taken as usual (common practice, no published source).", list)
	}
	say("assumed_demand", "Tools were taken to be asked for as in the last two years, and nobody to be kept away or drawn by what it costs.")
	say("assumed_paid", "What members owe counts from the day they owe it, as in the books.")
	return out
}

// which lists tools by number, the first few by name.
func (b Basis) which(is func(Tool) bool) string {
	var names []string
	n := 0
	for _, t := range b.Tools {
		if is(t) {
			if n++; n <= 5 {
				names = append(names, t.Number)
			}
		}
	}
	out := strings.Join(names, ", ")
	if n > 5 {
		out += fmt.Sprintf(" and %d more", n-5)
	}
	return out
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Timed is when a work falls due: the days at 5, 50 and 95 %; nil: not within the months.
func (b Basis) Timed(t fund.Timing) (days [3]*time.Time) {
	for i, q := range []int{t.Quantiles[0], t.Quantiles[2], t.Quantiles[4]} {
		if q > 0 {
			on := b.Ends(q)
			days[i] = &on
		}
	}
	return days
}

// Told says of a tool when it needs what.
func (f Forecast) Told(t Tool, w fund.Work) string {
	uses := fmt.Sprintf("about %s uses a month", short2(w.Uses/Months))
	var parts []string
	when := func(what string, at fund.Timing) {
		days := f.Timed(at)
		switch {
		case at.Within.Value == 0:
			parts = append(parts, fmt.Sprintf("%s hardly within %d months", what, Months))
		case days[1] == nil:
			parts = append(parts, fmt.Sprintf("%s within %d months with a chance of %s", what, Months, Percent(at.Within.Value, f.Foreseen.Paths)))
		default:
			late := "after " + f.named(Months)
			if days[2] != nil {
				late = days[2].Format("January 2006")
			}
			parts = append(parts, fmt.Sprintf("%s about %s (%s to %s)", what, days[1].Format("January 2006"), days[0].Format("January 2006"), late))
		}
	}
	if t.Sharpenings > 0 {
		when("to be sharpened first", w.Sharpened)
	}
	when("to be replaced", w.Replaced)
	return fmt.Sprintf("%s: %s; %s.", t.Number, uses, strings.Join(parts, "; "))
}

func short2(v float64) string { return fmt.Sprintf("%.2g", v) }

// Differences tells in words what a change does, before and after it.
func Differences(before, after Forecast, currency string) []uncertainty.Remark {
	var out []uncertainty.Remark
	say := func(code, format string, args ...any) {
		out = append(out, uncertainty.Remark{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	text := func(minor float64) string {
		return money.Amount{Minor: Minor(minor), Currency: money.Currency(currency)}.Text()
	}
	moved := func(was, is float64, unit string) string {
		switch d := is - was; {
		case Minor(d) > 0:
			return text(d) + " more" + unit
		case Minor(d) < 0:
			return text(-d) + " less" + unit
		}
		return "as much" + unit
	}
	was, is := before.Foreseen.Failed.Value, after.Foreseen.Failed.Value
	switch {
	case was == is:
		say("failure_same", "The chance of running out within %d months stays at %s.", Months, Percent(was, before.Foreseen.Paths))
	case is < was:
		say("failure_less", "The chance of running out within %d months falls from %s to %s.", Months, Percent(was, before.Foreseen.Paths), Percent(is, after.Foreseen.Paths))
	default:
		say("failure_more", "The chance of running out within %d months rises from %s to %s.", Months, Percent(was, before.Foreseen.Paths), Percent(is, after.Foreseen.Paths))
	}
	if before.Foreseen.Likeliest >= 0 && after.Foreseen.Likeliest >= 0 && before.Foreseen.Likeliest != after.Foreseen.Likeliest {
		say("likeliest_month", "The likeliest month for that is %s in place of %s.", after.named(after.Foreseen.Likeliest), before.named(before.Foreseen.Likeliest))
	}
	say("end_balance", "After %d months the fund has %s in the middle of what is foreseen: %s in place of %s.", Months, moved(before.Foreseen.Months[Months].Balance[2].Value, after.Foreseen.Months[Months].Balance[2].Value, ""),
		text(after.Foreseen.Months[Months].Balance[2].Value), text(before.Foreseen.Months[Months].Balance[2].Value))
	say("income", "Uses are expected to bring %s, and work on tools to cost %s.", moved(before.Foreseen.Income, after.Foreseen.Income, ""), moved(before.Foreseen.Cost, after.Foreseen.Cost, ""))
	if away := after.away(before); away > 0.0005 {
		say("turned_away", "About %.0f %% of what is asked for is turned away; the loans that are not made bring nothing and wear nothing.", 100*away)
	}
	for _, t := range after.Tools {
		if t.Added {
			say("second_tool", "%s is paid today, %s, and shares what is asked of its model; that more could be lent with it is not counted.", upper(t.Number), text(float64(*t.Cost)))
		}
	}
	if before.Balance != after.Balance {
		say("today", "Today the fund has %s.", moved(float64(before.Balance), float64(after.Balance), ""))
	}
	return out
}

// away is which part of all that was asked for is turned away.
func (f Forecast) away(before Forecast) float64 {
	was, is := 0.0, 0.0
	for _, t := range before.Tools {
		was += t.PerMonth
	}
	for _, t := range f.Tools {
		is += t.PerMonth
	}
	if was == 0 {
		return 0
	}
	return 1 - is/was
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
