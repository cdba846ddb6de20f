package api

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
)

// GetRecommendationPicture implements the contract. It draws the answer that was
// kept; nothing is computed again.
func (s *Server) GetRecommendationPicture(c echo.Context, _ InClub, recommendation InRecommendation, params GetRecommendationPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := recommend.Find(b, recommendation, (*string)(params.Units))
		return func() (answer, error) {
			k, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := keptOut(k)
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(choiceDrawing(out).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

var verdicts = map[Decision]plot.Verdict{"decided": plot.Decided, "provisional": plot.Provisional, "no_option": plot.NothingOpen}

// choiceDrawing is what the picture of an answer shows.
func choiceDrawing(r Recommendation) plot.Choice {
	ch := plot.Choice{Title: "What to do with " + plural(len(r.Joints), "joint"), Verdict: verdicts[r.Decision], Odds: r.ProbabilityAll, Asked: 1 - r.Risk}
	if len(r.Joints) == 1 {
		ch.Title = "What to do with " + r.Joints[0].Position
	}
	var care []string
	for _, caution := range r.Cautions {
		if caution.Code == "advice_not_approval" {
			ch.First = caution.Text
		} else {
			care = append(care, strings.ReplaceAll(caution.Code, "_", " "))
		}
	}
	if len(care) > 0 {
		ch.Care = "Take care: " + strings.Join(care, ", ") + ". The answer says how; read it before the work begins."
	}
	for _, j := range r.Joints {
		for _, o := range j.Options {
			if name := optionName(string(o.Option), o.Step); !slices.Contains(ch.Options, name) {
				ch.Options = append(ch.Options, name)
			}
		}
	}
	for _, j := range r.Joints {
		ch.Joints = append(ch.Joints, jointDrawing(j, ch.Options))
	}
	if r.NextMeasurement != nil && ch.Verdict != plot.Decided {
		ch.Next = r.NextMeasurement.Text
	}
	if r.SupersededBy != nil {
		ch.Notes = append(ch.Notes, "There is a newer answer for these joints.")
	}
	if r.Cost != nil {
		ch.Notes = append(ch.Notes, fmt.Sprintf("%s and %s.", r.Cost.Text, plural(r.Days, "day")))
	}
	return ch
}

func jointDrawing(j JointAnswer, options []string) plot.ChoiceJoint {
	out := plot.ChoiceJoint{Name: j.Position, Verdict: verdicts[j.Decision], Chosen: -1, RunnerUp: -1, Text: "Nothing is open.", Odds: make([]float64, len(options))}
	for i := range out.Odds {
		out.Odds[i] = math.NaN()
	}
	for _, o := range j.Options {
		name := optionName(string(o.Option), o.Step)
		at := slices.Index(options, name)
		if o.Open {
			out.Odds[at] = o.ProbabilityFit
		}
		if j.Option != nil && name == optionName(*j.Option, j.Step) {
			out.Chosen = at
			out.Text = fmt.Sprintf("%s: right with %s %%.", sentenceCase(o.Text), plot.Percent(o.ProbabilityFit))
		}
	}
	if j.RunnerUp != nil {
		name := optionName(j.RunnerUp.Option, j.RunnerUp.Step)
		out.RunnerUp = slices.Index(options, name)
		out.Else = fmt.Sprintf("Not %s. %s", name, j.RunnerUp.WhyNot.Text)
	}
	return out
}

// optionName names an option as a row of the picture.
func optionName(kind string, step *string) string {
	words := func(s string) string { return strings.ReplaceAll(s, "_", " ") }
	switch {
	case step == nil, *step == "standard":
		return words(kind)
	case kind == "cut_smaller_and_look":
		return "cut " + words(*step) + " and look"
	}
	return words(kind) + " " + words(*step)
}

func sentenceCase(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
