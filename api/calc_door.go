package api

import (
	"errors"
	"fmt"
	"math"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/lifttest"
	"pinwright/internal/problem"
)

// CalcLiftTest implements the contract.
func (s *Server) CalcLiftTest(c echo.Context, params CalcLiftTestParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[LiftTestIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		var p workpiece
		unit := shownIn(ask.Lift.Value, params.Units).Unit()
		test := p.liftTest(ask)
		if err := p.invalid(); err != nil {
			return answer{}, err
		}
		r, err := lifttest.Judge(test)
		if err != nil {
			pointer := "/lift"
			if errors.Is(err, lifttest.ErrHinges) {
				pointer = "/hinges"
			}
			return answer{}, problem.Invalid(faultOf(pointer, err))
		}
		out := LiftTestOut{Explained: mmOut(r.Explained.Value, unit), ExplainedU: mmOut(r.Explained.U, unit), Left: mmOut(r.Left.Value, unit), LeftU: mmOut(r.Left.U, unit),
			ElsewhereProbability: probabilityOut(r.Else), LimitingHinges: []int{min(r.First, r.Second), max(r.First, r.Second)},
			Source:      "geometry of rigid bodies; JCGM 100; Bayes' rule",
			Explanation: explained(params.Explain, test.Derivation)}
		if r.First == r.Second {
			out.LimitingHinges = out.LimitingHinges[:1]
		}
		if out.Load, err = p.hingeLoad(ask, test); err != nil {
			return answer{}, err
		}
		p.judged(&out, r)
		p.caution("door_weight", "Support the door and have a second person hold it before a pin or screw leaves: it is heavier than it looks and swings out at the top.")
		p.caution("lifting", "Lift with the knees, by hand, not by a jack that could push the door off its pins.")
		p.notApproval()
		out.Warnings, out.Cautions, out.Assumed = textsOut(p.warnings), textsOut(p.cautions), textsOut(p.assumed)
		return ok(out), nil
	})
}

func (p *workpiece) liftTest(ask LiftTestIn) lifttest.Test {
	t := lifttest.Test{Prior: or(ask.PriorElsewhere, 0.5), Rest: p.optionalMM("/mean_elsewhere", ask.MeanElsewhere, 0.01, 100, 2)}
	if ask.PriorElsewhere == nil || ask.MeanElsewhere == nil {
		p.assume("assumed_prior", "Before the test a bent leaf, loose screws or a weak pillar were taken to be as likely as not, adding 2 mm on average where they are (common practice, no published source), where nothing else was given.")
	}
	for i, h := range ask.Hinges {
		at := fmt.Sprintf("/hinges/%d", i)
		value, u := p.doubtful(at+"/clearance", h.Clearance, 0, 20, 0.02, 20)
		t.Hinges = append(t.Hinges, lifttest.Hinge{Height: p.mm(at+"/height", h.Height, -10_000, 10_000), Length: p.mm(at+"/length", h.Length, 1, 1000), Clearance: lifttest.Estimate{Value: value, U: u}})
	}
	t.Reach.Value, t.Reach.U = p.doubtful("/reach", ask.Reach, 50, 5000, 5, 500)
	t.Lift.Value, t.Lift.U = p.doubtful("/lift", ask.Lift, 0, 500, 0.3, 500)
	if ask.EndFloat != nil {
		t.EndFloat.Value, t.EndFloat.U = p.doubtful("/end_float", *ask.EndFloat, 0, 100, 0.1, 100)
	} else {
		p.assume("assumed_end_float", "The door was taken not to rise along its pins while it was lifted; look at the hinges, and give their end float where they do.")
	}
	if t.Give = (lifttest.Estimate{Value: 0.3, U: 0.2}); ask.Give != nil {
		t.Give.Value, t.Give.U = p.doubtful("/give", *ask.Give, 0, 100, 0.2, 100)
	} else {
		p.assume("assumed_give", "A sound door with tight hinges was taken to lift by 0.3 mm, give or take 0.2, since nothing is rigid (common practice, no published source); measure a sound one.")
	}
	return t
}

func (p *workpiece) hingeLoad(ask LiftTestIn, t lifttest.Test) (*HingeLoad, error) {
	if ask.DoorMassKg == nil {
		if ask.Centre != nil {
			return nil, problem.Invalid(problem.Fault{Pointer: "/centre", Detail: "goes with door_mass_kg; send both or leave it out"})
		}
		return nil, nil
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, h := range t.Hinges {
		low, high = math.Min(low, h.Height), math.Max(high, h.Height)
	}
	centre := p.optionalMM("/centre", ask.Centre, 1, 5000, t.Reach.Value/2)
	if err := p.invalid(); err != nil {
		return nil, err
	}
	if ask.Centre == nil {
		p.assume("assumed_centre", "The door's centre of mass was taken half way to where the lift was measured.")
	}
	l, err := lifttest.LoadOf(*ask.DoorMassKg, centre, high-low)
	if err != nil {
		return nil, problem.Invalid(faultOf("/door_mass_kg", err))
	}
	return &HingeLoad{HorizontalNewtons: significant(l.Horizontal), MostNewtons: significant(l.Most)}, nil
}

func (p *workpiece) judged(out *LiftTestOut, r lifttest.Result) {
	likely := fmt.Sprintf("%.0f times in 100", 100*out.ElsewhereProbability)
	switch {
	case r.Contradicts:
		out.Verdict = "contradiction"
		out.Summary = fmt.Sprintf("The clearances would let it lift by %s, more than was measured: it was not lifted all the way, something binds, or a clearance was read too large.", out.Explained.Text)
		p.warn("contradiction", "Lift and clearances cannot both be true; measure again before cutting.")
	case r.Else <= 0.2:
		out.Verdict = "bores"
		out.Summary = fmt.Sprintf("The worn bores explain the lift: with what a sound door gives they let it rise by %s; that something else gives way is likely only %s.", out.Explained.Text, likely)
	case r.Else >= 0.8:
		out.Verdict = "elsewhere"
		out.Summary = fmt.Sprintf("The bores explain %s; %s is left, and %s something else gives way: look for a bent leaf, loose screws, a cracked or soft pillar.", out.Explained.Text, out.Left.Text, likely)
		p.warn("look_elsewhere", "New pins alone will not cure it; find what else gives way first.")
	default:
		out.Verdict = "undecided"
		out.Summary = fmt.Sprintf("The bores explain %s, %s is left: it cannot be told whether something else gives way (%s). Measure lift and clearances better, with a dial on each leaf.", out.Explained.Text, out.Left.Text, likely)
	}
}
