package api

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
	"pinwright/internal/tool"
)

// offeredHours is how long the cutters are offered for: a weekend with a day to
// spare.
const offeredHours = 72

// need is a cutter model that a recommendation names, and for how many holes.
type need struct {
	model string
	size  *Length
	holes int
}

// needsOf lists the cutters that r names, in the order of its joints: those of
// the running bores, of the held ones, and of a smaller cut before.
func needsOf(r Recommendation) []need {
	var out []need
	add := func(model *string, size *Length, holes int) {
		if model == nil {
			return
		}
		at := slices.IndexFunc(out, func(n need) bool { return n.model == *model })
		if at < 0 {
			at, out = len(out), append(out, need{model: *model, size: size})
		}
		out[at].holes += holes
	}
	for _, j := range r.Joints {
		add(j.ReamerModel, j.Reamer, or(j.Holes, 1))
		add(j.HeldReamerModel, j.HeldReamer, or(j.HeldHoles, 1))
		for _, p := range firstPasses(j) {
			add(p.ReamerModel, &p.Size, or(j.Holes, 1))
		}
	}
	return out
}

// firstPasses are the cuts before the last of what was chosen for a joint, where
// all of them are to be made.
func firstPasses(j JointAnswer) []CutPass {
	for _, o := range j.Options {
		if o.Option == OptionAnswerOptionReamTo && string(o.Option) == or(j.Option, "") && or(o.Step, "") == or(j.Step, "") && o.Passes != nil {
			return (*o.Passes)[:max(0, len(*o.Passes)-1)]
		}
	}
	return nil
}

// pinsOf lists the pins to buy, by step.
func pinsOf(r Recommendation) (pins []OfferedPin, days int) {
	pins = []OfferedPin{}
	for _, j := range r.Joints {
		if j.Pin == nil || j.Step == nil {
			continue
		}
		at := slices.IndexFunc(pins, func(p OfferedPin) bool { return p.Step == *j.Step })
		if at < 0 {
			at, pins = len(pins), append(pins, OfferedPin{Step: *j.Step, Pin: *j.Pin, Price: j.PinPrice, Days: j.PinDays})
		}
		pins[at].Pieces++
		days = max(days, or(j.PinDays, 0))
	}
	return pins, days
}

// GetOffers implements the contract. It takes two round trips: which tools to
// look for stands in the recommendation.
func (s *Server) GetOffers(c echo.Context, _ InClub, recommendation InRecommendation, params GetOffersParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := recommend.Find(b, recommendation, (*string)(params.Units))
		return func() (answer, error) {
			k, err := row.One()
			if err != nil {
				return answer{}, err
			}
			r, err := keptOut(k)
			if err != nil {
				return answer{}, err
			}
			return s.offers(in, r)
		}
	})
}

func (s *Server) offers(in *call, r Recommendation) (answer, error) {
	needs := needsOf(r)
	pins, days := pinsOf(r)
	out := Offers{RecommendationId: r.Id, Pins: pins, Tools: []ToolOffer{}, CommonFree: []FreePeriod{}, Warnings: []Text{}}
	if r.SupersededBy != nil {
		out.Warnings = append(out.Warnings, Text{Code: "superseded", Text: "A later recommendation for the same joints exists; its offers are the ones to take."})
	}
	// The cutter is of use only once the pins are here.
	from := in.now.AddDate(0, 0, days).Truncate(time.Hour).Add(time.Hour)
	window := lending.Period{From: from, Until: from.Add(usualOutlook)}
	var common *lending.Free
	alone := make([]*lending.Free, len(needs))
	models := make([]*postgres.Rows[tool.Model], len(needs))
	tools := make([]*postgres.Rows[tool.Tool], len(needs))
	if len(needs) > 0 {
		codes := each(needs, func(n need) string { return n.model })
		err := s.db.Read(in.ctx, in.club, func(b *postgres.Batch) {
			common = lending.CommonFree(b, lending.Need{Models: codes}, window, offeredHours*time.Hour, 5)
			for i, n := range needs {
				alone[i] = lending.CommonFree(b, lending.Need{Models: []string{n.model}}, window, offeredHours*time.Hour, 5)
				models[i] = tool.FindModel(b, postgres.ParseRef(n.model))
				tools[i] = tool.List(b, tool.Filter{State: tool.InService, Model: pointerTo(postgres.ParseRef(n.model))}, "", 20)
			}
		})
		if err != nil {
			return answer{}, err
		}
		for i, n := range needs {
			model, err := models[i].One()
			if err != nil { // the model was renamed since; its tools cannot be found by the name that was kept
				out.Warnings = append(out.Warnings, Text{Code: "tool_model_gone", Text: "The tool model " + n.model + " is not known any more; ask for a new recommendation."})
				continue
			}
			out.Tools = append(out.Tools, toolOffer(n, model, tools[i].Items, alone[i].Periods(), in))
		}
		out.CommonFree = each(common.Periods(), freePeriodOut)
	}
	total := int64(0)
	for _, p := range pins {
		if p.Price != nil {
			total += p.Price.Minor * int64(p.Pieces)
		}
	}
	for i, n := range needs {
		if i < len(models) && len(models[i].Items) == 1 && models[i].Items[0].ChargeMinor != nil {
			total += *models[i].Items[0].ChargeMinor * int64(n.holes)
		}
	}
	if len(pins) > 0 || len(needs) > 0 {
		out.Total = pointerTo(moneyOut(total, in.caller.Currency))
	}
	if len(out.CommonFree) > 0 {
		out.Reservation = readyReservation(r, needs, common.Periods()[0])
	}
	out.Summary = offersSummary(out, needs, days)
	return ok(out), nil
}

func toolOffer(n need, model tool.Model, tools []tool.Tool, free []lending.FreePeriod, in *call) ToolOffer {
	offer := ToolOffer{Needed: fmt.Sprintf("%s, for %d holes", model.Name, n.holes), ToolModel: model.Code, Size: n.size, Tools: []OfferedTool{}}
	for _, t := range tools {
		one := OfferedTool{Number: t.Number, Free: []Period{}, Caution: present(model.Caution)}
		if model.ChargeMinor != nil {
			one.ChargePerUse = pointerTo(moneyOut(*model.ChargeMinor, in.caller.Currency))
		}
		for _, p := range free {
			if slices.Contains(p.Tools, t.Number) {
				one.Free = append(one.Free, Period{From: p.From, Until: p.Until})
			}
		}
		offer.Tools = append(offer.Tools, one)
	}
	return offer
}

// readyReservation books every cutter for the first days on which all are free.
func readyReservation(r Recommendation, needs []need, free lending.FreePeriod) *ReservationBody {
	body := ReservationBody{Lines: each(needs, func(n need) map[string]any { return map[string]any{"tool_model": n.model} })}
	body.Set("period", Period{From: free.From, Until: free.Ends})
	body.Set("recommendation", r.Id)
	body.Set("purpose", "As recommended")
	return &body
}

func offersSummary(o Offers, needs []need, days int) string {
	var parts []string
	for _, p := range o.Pins {
		parts = append(parts, fmt.Sprintf("%d × %s pin (%s)", p.Pieces, strings.ReplaceAll(p.Step, "_", " "), p.Pin.Text))
	}
	text := "Nothing has to be bought."
	if len(parts) > 0 {
		text = "To order: " + strings.Join(parts, ", ") + fmt.Sprintf("; here within %d days, nine times out of ten.", days)
	}
	switch {
	case len(needs) == 0:
		text += " No cutter of the club is needed."
	case o.Reservation == nil:
		text += " The cutters are not free together in the 90 days after that."
	default:
		text += fmt.Sprintf(" From then on the cutters are free together from %s (%s).", o.CommonFree[0].From.Format(time.RFC3339), strings.Join(o.CommonFree[0].Tools, ", "))
	}
	if o.Total != nil {
		text += " Pins and charges come to " + o.Total.Text + "."
	}
	return text
}
