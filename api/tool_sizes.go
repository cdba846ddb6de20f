package api

import (
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// The sizes that matter of reamers and pullers, on their way in and out.

func reamerBuildIn(b *ReamerBuildIn) tool.Build {
	if b == nil {
		return tool.Build{}
	}
	out := tool.Build{Flutes: (*string)(b.Flutes), FluteCount: b.FluteCount, Lead: (*string)(b.Lead), Expansion: b.Expansion, Piloted: b.Piloted, PilotNM: nanometres(b.Pilot),
		LeadLengthNM: nanometres(b.LeadLength), LengthNM: nanometres(b.Length), Material: (*string)(b.Material)}
	if s := b.Shank; s != nil {
		out.Shank = tool.Shank{Shape: (*string)(s.Shape), SizeNM: nanometres(s.Size), Taper: s.Taper}
	}
	return out
}

// reamerBuildAsGiven is what would make b again.
func reamerBuildAsGiven(b tool.Build) *ReamerBuildIn {
	if b == (tool.Build{}) {
		return nil
	}
	out := &ReamerBuildIn{Flutes: (*ReamerBuildInFlutes)(b.Flutes), FluteCount: b.FluteCount, Lead: (*ReamerBuildInLead)(b.Lead), Expansion: b.Expansion, Piloted: b.Piloted,
		Pilot: asGivenIn(b.PilotNM), LeadLength: asGivenIn(b.LeadLengthNM), Length: asGivenIn(b.LengthNM), Material: (*CutterMaterial)(b.Material)}
	if b.Shank != (tool.Shank{}) {
		out.Shank = &ShankIn{Shape: (*ShankShape)(b.Shank.Shape), Size: asGivenIn(b.Shank.SizeNM), Taper: b.Shank.Taper}
	}
	return out
}

func reamerBuildOut(b tool.Build, unit string) *ReamerBuild {
	if b == (tool.Build{}) {
		return nil
	}
	out := &ReamerBuild{Flutes: (*ReamerBuildFlutes)(b.Flutes), FluteCount: b.FluteCount, Lead: (*ReamerBuildLead)(b.Lead), Expansion: b.Expansion, Piloted: b.Piloted,
		Pilot: optionalLength(b.PilotNM, unit), LeadLength: optionalLength(b.LeadLengthNM, unit), Length: optionalLength(b.LengthNM, unit), Material: (*CutterMaterial)(b.Material)}
	if b.Shank.Shape != nil {
		out.Shank = &Shank{Shape: ShankShape(*b.Shank.Shape), Size: optionalLength(b.Shank.SizeNM, unit), Taper: b.Shank.Taper}
	}
	return out
}

func pullerIn(p *PullerSizesIn) tool.Pull {
	if p == nil {
		return tool.Pull{}
	}
	return tool.Pull{JawReachNM: nanometres(p.JawReach), JawOpeningNM: nanometres(p.JawOpening), StrokeNM: nanometres(p.Stroke), ScrewThread: p.ScrewThread}
}

// pullerAsGiven is what would make p again.
func pullerAsGiven(p tool.Pull) *PullerSizesIn {
	if p == (tool.Pull{}) {
		return nil
	}
	return &PullerSizesIn{JawReach: asGivenIn(p.JawReachNM), JawOpening: asGivenIn(p.JawOpeningNM), Stroke: asGivenIn(p.StrokeNM), ScrewThread: p.ScrewThread}
}

func pullerOut(p tool.Pull, unit string) *PullerSizes {
	if p == (tool.Pull{}) {
		return nil
	}
	return &PullerSizes{JawReach: optionalLength(p.JawReachNM, unit), JawOpening: optionalLength(p.JawOpeningNM, unit), Stroke: optionalLength(p.StrokeNM, unit), ScrewThread: p.ScrewThread}
}

func cutToleranceOut(m tool.Model, unit string) *CutTolerance {
	if m.ToleranceLower == nil || m.ToleranceUpper == nil {
		return nil
	}
	return &CutTolerance{Lower: lengthOut(*m.ToleranceLower, unit), Upper: lengthOut(*m.ToleranceUpper, unit)}
}

// cutToleranceAsGiven is what would make m's tolerance again.
func cutToleranceAsGiven(m tool.Model) *CutToleranceIn {
	lower, upper := m.Entered.Quantity("tolerance_lower"), m.Entered.Quantity("tolerance_upper")
	if lower == nil || upper == nil {
		return nil
	}
	return &CutToleranceIn{Lower: *lower, Upper: *upper}
}

// optionalMoney is money of the club, nil where there is none.
func (in *call) optionalMoney(minor *int64) *Money {
	if minor == nil {
		return nil
	}
	return pointerTo(moneyOut(*minor, in.caller.Currency))
}

// moneyAsGiven is what would make an amount again.
func (in *call) moneyAsGiven(minor *int64) *MoneyIn {
	if minor == nil {
		return nil
	}
	return &MoneyIn{Minor: *minor, Currency: &in.caller.Currency}
}

// minorOf is the amount that was given at pointer, which must be in the club's
// currency.
func (in *call) minorOf(pointer string, given *MoneyIn) (*int64, []problem.Fault) {
	switch {
	case given == nil:
		return nil, nil
	case or(given.Currency, in.caller.Currency) != in.caller.Currency:
		return nil, []problem.Fault{{Pointer: pointer + "/currency", Detail: "this club reckons in " + in.caller.Currency + "; give the amount in that, or leave the currency out"}}
	}
	return &given.Minor, nil
}
