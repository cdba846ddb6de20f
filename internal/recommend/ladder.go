package recommend

import (
	"math"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/cutting"
)

// steps makes the ladder of the series, each step with the club's reamers for it:
// of several of a size the one that suits the most joints.
func steps(rows []StepRow, cutters []CutterRow, joints []JointRow, nominal length.Length, waitDays func(CutterRow) int, assumed *remarks) []choice.Step {
	out := make([]choice.Step, len(rows))
	for i, s := range rows {
		out[i] = choice.Step{Code: s.Code, LeadDays: leadDays(s, assumed), Available: true,
			Pin: choice.Interval{Low: (length.Length(s.PinNm+s.ToleranceLowerNm) - nominal).Micrometres(), High: (length.Length(s.PinNm+s.ToleranceUpperNm) - nominal).Micrometres()}}
		if s.PriceMinor != nil {
			out[i].PriceMinor = *s.PriceMinor
		} else {
			assumed.add("assumed_pin_price", map[string]any{"step": s.Code}, "The price of the %s pin is not known and was left out of the cost.", s.Code)
		}
		if s.HeldPartMinNm != nil && s.HeldPartMaxNm != nil {
			out[i].HeldPart = &choice.Interval{Low: (length.Length(*s.HeldPartMinNm) - nominal).Micrometres(), High: (length.Length(*s.HeldPartMaxNm) - nominal).Micrometres()}
		}
		out[i].Reamer = reamer(s.Code, s.ReamerNm, cutters, joints, nominal, waitDays, assumed)
		out[i].HeldReamer = reamer(s.Code+"-held", s.HeldReamerNm, cutters, joints, nominal, waitDays, assumed)
	}
	return out
}

// reamer is the club's reamer of a size, or one that cannot be had; nil where no
// size is named.
func reamer(code string, size *int64, cutters []CutterRow, joints []JointRow, nominal length.Length, waitDays func(CutterRow) int, assumed *remarks) *choice.Reamer {
	if size == nil {
		return nil
	}
	bare := choice.Reamer{Code: code, Diameter: (length.Length(*size) - nominal).Micrometres(),
		Overcut: defaultOvercut, OvercutU: defaultOvercutU, Scatter: defaultScatter, MinCut: leastCut, MaxCut: mostCut}
	best, against, known := bare, math.MaxInt, false
	for _, c := range cutters {
		if math.Abs((length.Length(c.SizeNm)-length.Length(*size)).Micrometres()) > reamerMatch || c.InService == 0 {
			continue
		}
		r := bare
		r.Available, r.Code, r.WaitDays = true, c.Code, waitDays(c)
		if c.ChargeMinor != nil {
			r.WearMinor = *c.ChargeMinor
		}
		built(&r, c, assumed)
		learned(&r, c, length.Length(c.SizeNm-*size).Micrometres(), assumed)
		unsuited := 0
		for _, j := range joints {
			unsuited += len(r.Unsuited(accessOf(j), choice.Guidance(j.Guidance)))
		}
		if unsuited < against {
			best, against, known = r, unsuited, len(c.Learned) > 0
		}
	}
	if known {
		return &best
	}
	assumed.add("assumed_cut_size", map[string]any{"overcut_um": defaultOvercut, "u_um": defaultOvercutU, "scatter_um": defaultScatter},
		"A reamer was taken to cut its size, give or take %.0f µm, and %.0f µm more or less from hole to hole (common practice, no published source).", defaultOvercutU, defaultScatter)
	return &best
}

// What a reamer may take by its make, µm on diameter, and what an expansion
// reamer's setting adds to its doubt: common practice, no published source.
const (
	handLeast, handMost           = 20, 130 // 0.001 to 0.005 in
	machineLeast, machineMost     = 50, 400
	expansionLeast, expansionMost = 10, 50
	expansionU                    = cutting.ExpansionU
)

// built lets the make of a reamer decide what it may take and how sure its size
// is.
func built(r *choice.Reamer, c CutterRow, assumed *remarks) {
	b := c.Build
	um := func(nm *int64) float64 {
		if nm == nil {
			return 0
		}
		return length.Length(*nm).Micrometres()
	}
	r.Build = choice.Build{Flutes: said(b.Flutes), Lead: said(b.Lead), Piloted: b.Piloted, LeadLength: um(b.LeadLengthNM), Length: um(b.LengthNM),
		Expansion: b.Expansion != nil && *b.Expansion}
	switch {
	case r.Expansion:
		r.MinCut, r.MaxCut, r.OvercutU = expansionLeast, expansionMost, math.Hypot(r.OvercutU, expansionU)
	case r.Lead == "hand_taper":
		r.MinCut, r.MaxCut = handLeast, handMost
	case r.Lead == "machine":
		r.MinCut, r.MaxCut = machineLeast, machineMost
	default:
		return
	}
	assumed.add("assumed_reaming_allowance", map[string]any{"reamer": c.Code, "least_um": r.MinCut, "most_um": r.MaxCut},
		"Reamer %s, by its make, was taken to cut from %.0f to %.0f µm in one pass (common practice, no published source).", c.Code, r.MinCut, r.MaxCut)
}

func said(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func is(s *string, text string) bool { return s != nil && *s == text }
