package api

import (
	"fmt"
	"math"
	"strings"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
)

// summary says the rate of the last segment and when the limit is reached.
func (s trendShown) summary(a trend.Answer) string {
	if len(a.Points) == 0 {
		return "There is nothing measured yet."
	}
	out := []string{s.rateWords(a.Segments[len(a.Segments)-1].Rate, a.Coverage)}
	if a.Crossing != nil {
		out = append(out, s.crossingWords(a))
	}
	return strings.Join(out, " ")
}

func (s trendShown) rateWords(rate trend.Estimate, coverage float64) string {
	stretch, per := s.per()
	switch value := s.words(math.Abs(rate.Value) * stretch); {
	case !rate.Known:
		return "What was measured since the last change tells no rate: it lies in one place. Measure again later."
	case !rate.Interval:
		return fmt.Sprintf("It %s by %s %s; how sure that is cannot be told.", direction(rate.Value), value, per)
	case rate.Low <= 0 && rate.High >= 0:
		return fmt.Sprintf("No change can be told from nought: %s to %s %s (%.4g %%).", s.words(rate.Low*stretch), s.words(rate.High*stretch), per, 100*coverage)
	default:
		return fmt.Sprintf("It %s by %s %s (%.4g %%: %s to %s).", direction(rate.Value), value, per, 100*coverage, s.words(rate.Low*stretch), s.words(rate.High*stretch))
	}
}

func direction(rate float64) string {
	if rate < 0 {
		return "falls"
	}
	return "grows"
}

func (s trendShown) crossingWords(a trend.Answer) string {
	c := a.Crossing
	limit := length.FromMicrometres(c.Limit).Text(s.units)
	rising := a.Segments[len(a.Segments)-1].Rate.Value > 0
	switch {
	case c.State == trend.RateUnknown:
		return fmt.Sprintf("When %s is reached cannot be told yet.", limit)
	case c.State == trend.Parallel:
		return fmt.Sprintf("The line stays level and does not reach %s.", limit)
	case c.Behind && c.Above && rising:
		return fmt.Sprintf("It is past the limit of %s already: the line reached it %s.", limit, s.at(c.At))
	case c.Behind && !c.Above && !rising:
		return fmt.Sprintf("It lies below %s and does not come nearer. %s", limit, s.ahead(c.Mean, a.Coverage))
	case c.Behind:
		return fmt.Sprintf("The line came from beyond %s, which it left %s.", limit, s.at(c.At))
	}
	return fmt.Sprintf("The line reaches %s %s. %s", limit, s.at(c.At), s.ahead(c.Mean, a.Coverage))
}

// ahead says when the limit may be reached, of what is still to come.
func (s trendShown) ahead(r trend.Region, coverage float64) string {
	sure := fmt.Sprintf("%.4g %%", 100*coverage)
	if r.Set == trend.NoSet {
		return "How sure that is cannot be told. " + r.Why
	}
	if len(r.Ahead) == 0 {
		return fmt.Sprintf("With %s it will not be reached while the line stays straight.", sure)
	}
	last := r.Ahead[len(r.Ahead)-1]
	switch {
	case len(r.Ahead) == 2:
		return fmt.Sprintf("With %s either soon (by %s) or not before %s, with no latest.", sure, s.date(*r.Ahead[0].To), s.date(*last.From))
	case last.To == nil && r.Set == trend.WholeLine:
		return fmt.Sprintf("With %s nothing can be ruled out: now, later or never. Measure again later.", sure)
	case last.To == nil:
		return fmt.Sprintf("With %s not before %s; a latest cannot be told, since the rate may be nought.", sure, s.date(*last.From))
	}
	return fmt.Sprintf("With %s between %s and %s.", sure, s.date(*last.From), s.date(*last.To))
}

// date is where x is, without its preposition.
func (s trendShown) date(x float64) string {
	return strings.TrimPrefix(strings.TrimPrefix(s.at(x), "on "), "at ")
}

func (s trendShown) changeWords(c trend.RateChange) string {
	what := "lubrication"
	if c.Change != trend.Lubrication {
		what = "repair"
	}
	stretch, per := s.per()
	d := c.Difference
	if !d.Interval {
		return fmt.Sprintf("What was measured does not tell whether the %s changed the rate.", what)
	}
	low, high := s.words(d.Low*stretch), s.words(d.High*stretch)
	if !c.Shown {
		return fmt.Sprintf("A change of the rate by the %s cannot be told from chance: it lies between %s and %s %s.", what, low, high, per)
	}
	pace := "faster"
	if d.Value < 0 {
		pace = "slower"
	}
	return fmt.Sprintf("After the %s it grows %s, by %s %s (between %s and %s).", what, pace, s.words(math.Abs(d.Value)*stretch), per, low, high)
}
