package api

import (
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

// jointTargetIn reads the target that stands at the pointer at, if any; nominal is
// the size it is for, nil when not known. The zero target is none.
func jointTargetIn(at string, in *TargetIn, nominal *int64) (vehicle.Target, []problem.Fault) {
	if in == nil {
		return vehicle.Target{}, nil
	}
	t := vehicle.Target{MinNM: nanometres(in.ClearanceMin), MaxNM: nanometres(in.ClearanceMax), Fit: or(in.Fit, ""), Thousandth: or(in.Thousandth, false)}
	return t, t.Check(at, nominal)
}

// targetAsGiven is t as it would be given, for a merge patch.
func targetAsGiven(t vehicle.Target, unit string) (TargetIn, error) {
	out := TargetIn{Fit: present(t.Fit), Thousandth: present(t.Thousandth)}
	var err error
	if out.ClearanceMin, err = asGiven(t.MinNM, unit); err != nil {
		return out, err
	}
	out.ClearanceMax, err = asGiven(t.MaxNM, unit)
	return out, err
}

func asGiven(nm *int64, unit string) (*LengthIn, error) {
	if nm == nil {
		return nil, nil
	}
	q, err := length.Length(*nm).Quantity(length.Unit(unit))
	return &q, err
}

// jointTargetOut shows a target for a nominal size, nil when that is not known; no
// target is nil.
func jointTargetOut(t vehicle.Target, nominal *int64, unit string) *JointTarget {
	if t.IsZero() {
		return nil
	}
	out := JointTarget{Fit: present(t.Fit), Thousandth: present(t.Thousandth), Text: t.Text(nominal, length.Unit(unit))}
	if c, err := t.Resolve(nominal); err == nil {
		out.ClearanceMin, out.ClearanceMax = pointerTo(lengthOut(c.Min, unit)), pointerTo(lengthOut(c.Max, unit))
	}
	return &out
}
