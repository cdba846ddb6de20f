package api

import (
	"math"
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	calc "pinwright/internal/calc/fund"
	"pinwright/internal/calc/money"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/fund"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// GetReplacementFund implements the contract.
func (s *Server) GetReplacementFund(c echo.Context, _ InClub, params GetReplacementFundParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		known := fund.Queue(b, in.now)
		return func() (answer, error) {
			basis := known.Basis(or(params.Purchases, FundPurchasesApart) == FundPurchasesFromFund)
			f, err := s.foretell(in, basis, or(params.Risk, 0.05), basis.Futures())
			if err != nil {
				return answer{}, err
			}
			return ok(replacementFundOut(f, in.caller.Currency)), nil
		}
	})
}

// GetReplacementFundPicture implements the contract.
func (s *Server) GetReplacementFundPicture(c echo.Context, _ InClub, params GetReplacementFundPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		known := fund.Queue(b, in.now)
		return func() (answer, error) {
			basis := known.Basis(or(params.Purchases, FundPurchasesApart) == FundPurchasesFromFund)
			f, err := s.foretell(in, basis, or(params.Risk, 0.05), basis.Futures())
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(fundDrawing(f, in.caller.Currency).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

// AskReplacementFund implements the contract.
func (s *Server) AskReplacementFund(c echo.Context, _ InClub, params AskReplacementFundParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		change := fundChangeIn(decode[FundChangeIn](in))
		known := fund.Queue(b, in.now)
		return func() (answer, error) {
			basis := known.Basis(or(params.Purchases, FundPurchasesApart) == FundPurchasesFromFund)
			changed, err := known.With(basis, change)
			if err != nil {
				return answer{}, err
			}
			before, err := s.foretell(in, basis, or(params.Risk, 0.05), basis.Futures())
			if err != nil {
				return answer{}, err
			}
			after, err := s.foretell(in, changed, or(params.Risk, 0.05), basis.Futures())
			if err != nil {
				return answer{}, err
			}
			currency := in.caller.Currency
			out := FundComparison{Now: replacementFundOut(before, currency), Changed: replacementFundOut(after, currency), Differences: textsOut(fund.Differences(before, after, currency))}
			out.Summary = out.Differences[0].Text + " " + after.Keeping(currency)
			return ok(out), nil
		}
	})
}

func fundChangeIn(in FundChangeIn) fund.Change {
	out := fund.Change{TurnedAway: or(in.TurnedAway, 0), MostLoans: or(in.MostLoansAtOnce, 0)}
	minor := func(a *FundAmountIn) *int64 {
		if a == nil {
			return nil
		}
		return &a.Minor
	}
	for _, p := range or(in.Prices, nil) {
		out.Prices = append(out.Prices, fund.Price{Model: or(p.ToolModel, ""), PerUse: minor(p.PerUse), PerLoan: minor(p.PerLoan), Times: p.Times})
	}
	for _, t := range or(in.SecondTools, nil) {
		out.Second = append(out.Second, fund.Second{Model: t.ToolModel, Cost: minor(t.Cost)})
	}
	if in.Payment != nil {
		out.Payment = in.Payment.Minor
	}
	return out
}

// foretell runs the simulation, which takes a place among what takes long.
func (s *Server) foretell(in *call, b fund.Basis, risk float64, futures int) (f fund.Forecast, err error) {
	select {
	case s.cleanUps <- struct{}{}:
		defer func() { <-s.cleanUps }()
	case <-in.ctx.Done():
		return f, &problem.Error{Kind: problem.Unavailable, Detail: "Many ask the same now. Send the request again after Retry-After seconds.", RetryAfter: 5 * time.Second, Cause: in.ctx.Err()}
	}
	err = s.timed(in.ctx, foretelling, func() (w workload, err error) {
		f, err = b.Foretell(in.ctx, risk, futures)
		if in.abandoned() {
			err = wornsize.ErrStopped
		}
		return w, err
	})
	return f, err
}

// chance rounds a probability to what is worth telling.
func chance(p float64) float64 { return math.Round(p*1e6) / 1e6 }

func replacementFundOut(f fund.Forecast, currency string) ReplacementFund {
	amount := func(v float64) Money { return moneyOut(fund.Minor(v), currency) }
	p := f.Foreseen
	out := ReplacementFund{AsOf: openapi_types.Date{Time: f.Today}, Balance: moneyOut(f.Balance, currency), PutBy: moneyOut(f.PutBy, currency), SpentOnTools: moneyOut(f.Bought, currency), Purchases: FundPurchasesApart,
		Failure: FundFailure{Within: chance(p.Failed.Value), WithinError: chance(p.Failed.SE)}, Keeping: fundKeepingOut(f, currency), Income: amount(p.Income), Spent: amount(p.Cost),
		Tools: []FundTool{}, NotBorrowed: f.Idle, Futures: p.Paths, Summary: f.Summary(currency), Warnings: textsOut(f.Warnings(currency)), Assumed: textsOut(f.Assumed())}
	if f.FromFund {
		out.Purchases = FundPurchasesFromFund
	}
	if at := p.Likeliest; at >= 0 {
		out.Failure.LikeliestOn = &openapi_types.Date{Time: f.Ends(at)}
		out.Failure.Likeliest, out.Failure.LikeliestError = pointerTo(chance(p.Months[at].First.Value)), pointerTo(chance(p.Months[at].First.SE))
	}
	for m, at := range p.Months {
		out.Items = append(out.Items, FundMonth{Month: m, EndsOn: openapi_types.Date{Time: f.Ends(m)}, P5: amount(at.Balance[0].Value), P25: amount(at.Balance[1].Value), Median: amount(at.Balance[2].Value),
			P75: amount(at.Balance[3].Value), P95: amount(at.Balance[4].Value), MedianError: significant(at.Balance[2].SE), Failed: chance(at.Failed.Value), FailedError: chance(at.Failed.SE),
			First: chance(at.First.Value), FirstError: chance(at.First.SE)})
	}
	works := map[string]calc.Work{}
	for _, w := range p.Tools {
		works[w.Key] = w
	}
	for _, t := range f.Tools {
		out.Tools = append(out.Tools, fundToolOut(f, t, works[t.ID.String()], currency))
	}
	return out
}

func fundKeepingOut(f fund.Forecast, currency string) FundKeeping {
	p := f.Foreseen
	out := FundKeeping{Risk: f.Risk, Keeps: !f.Fails(), PayIn: moneyOut(fund.Minor(math.Ceil(math.Max(0, -p.Spare.Value))), currency), Spare: moneyOut(fund.Minor(math.Floor(math.Max(0, p.Spare.Value))), currency), Summary: f.Keeping(currency)}
	if v, found := f.Times(); found {
		out.Times, out.TimesError = &v, pointerTo(significant(p.Multiplier.SE))
	}
	if v, found := f.More(); found {
		out.PerUse, out.PerUseError = pointerTo(moneyOut(fund.Minor(v), currency)), pointerTo(significant(p.PerUse.SE))
	}
	return out
}

func fundToolOut(f fund.Forecast, t fund.Tool, w calc.Work, currency string) FundTool {
	amount := func(v float64) Money { return moneyOut(fund.Minor(v), currency) }
	out := FundTool{Tool: t.Number, ToolModel: t.Model, Loans: t.Jobs, OverMonths: significant(t.Over), Booked: t.Booked, LoansAMonth: significant(t.PerMonth), UsesALoan: significant(t.UsesPerJob),
		UsesFrom: FundSource(t.UsesFrom), LifeFrom: FundSource(t.LifeFrom), CostFrom: FundSource(t.CostFrom), SharpeningCost: moneyOut(t.SharpeningCost, currency), SharpeningsLeft: t.SharpeningsLeft,
		PerLoan: amount(t.PerJob), PerUse: amount(t.PerUse), PriceFrom: FundSource(t.PriceFrom), Uses: significant(w.Uses), Sharpenings: significant(w.Sharpenings), Replacements: significant(w.Replacements),
		Spent: amount(w.Cost), Replaced: fundWorkOut(f, w.Replaced), Summary: f.Told(t, w)}
	if !t.Added {
		out.ToolId = pointerTo(t.ID)
	}
	if t.Cost != nil {
		out.Cost = pointerTo(moneyOut(*t.Cost, currency))
	}
	if t.TurnedAway > 0 {
		out.TurnedAway = pointerTo(significant(t.TurnedAway))
	}
	if t.Sharpenings > 0 {
		out.Sharpened = pointerTo(fundWorkOut(f, w.Sharpened))
	}
	uses := func(v float64) *int64 {
		if v >= fund.NoEnd {
			return nil
		}
		return pointerTo(int64(v))
	}
	out.Left.Low, out.Left.Median, out.Left.High = uses(t.Left[0]), uses(t.Left[1]), uses(t.Left[2])
	return out
}

func fundWorkOut(f fund.Forecast, at calc.Timing) FundWork {
	out := FundWork{Within: chance(at.Within.Value)}
	days := f.Timed(at)
	for i, to := range []**openapi_types.Date{&out.Early, &out.Median, &out.Late} {
		if days[i] != nil {
			*to = &openapi_types.Date{Time: *days[i]}
		}
	}
	return out
}

// fundDrawing is what the picture shows, in whole units of the currency.
func fundDrawing(f fund.Forecast, currency string) plot.Fan {
	p := f.Foreseen
	unit := math.Pow(10, float64(money.Currency(currency).Decimals()))
	out := plot.Fan{Title: "The fund for tools", Summary: f.Summary(currency), Unit: currency, Zero: f.Today, Fall: p.Likeliest}
	for m, at := range p.Months {
		out.Days = append(out.Days, f.Ends(m).Sub(f.Today).Hours()/24)
		for i, q := range at.Balance {
			out.Levels[i] = append(out.Levels[i], q.Value/unit)
		}
		out.Fallen = append(out.Fallen, 100*at.Failed.Value)
	}
	if p.Likeliest >= 0 {
		out.FallText = "likeliest month of running out: " + f.Ends(p.Likeliest).Format("January 2006") + " (" + fund.Percent(p.Months[p.Likeliest].First.Value, p.Paths) + ")"
	}
	return out
}
