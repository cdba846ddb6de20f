package api

import (
	"fmt"
	"math"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// workpiece gathers a calculator's question about parts: what was wrong with it, and
// what the answer says beside its numbers.
type workpiece struct {
	faults                      []problem.Fault
	assumed, warnings, cautions []uncertainty.Remark
}

func (p *workpiece) fault(pointer, format string, args ...any) {
	p.faults = append(p.faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf(format, args...)})
}

func (p *workpiece) assume(code, text string) {
	p.assumed = append(p.assumed, uncertainty.Remark{Code: code, Text: text})
}

func (p *workpiece) warn(code, text string) {
	p.warnings = append(p.warnings, uncertainty.Remark{Code: code, Text: text})
}

func (p *workpiece) caution(code, text string) {
	p.cautions = append(p.cautions, uncertainty.Remark{Code: code, Text: text})
}

// notApproval ends the cautions of every answer that somebody may work by.
func (p *workpiece) notApproval() {
	p.caution("advice_not_approval", "This is advice, not approval: for steering, brake, suspension or seat joints the maker's limits, local codes and a licensed inspection come first.")
}

// mm is a length in millimetres from low to high, both included; outside it is a
// fault and NaN.
func (p *workpiece) mm(pointer string, q length.Quantity, low, high float64) float64 {
	x := q.Length().Millimetres()
	if x >= low && x <= high {
		return x
	}
	unit := q.Unit()
	show := func(mm float64) string { return length.FromMicrometres(mm * 1000).Text(unit) }
	p.fault(pointer, "must be from %s to %s; is the unit right?", show(low), show(high))
	return math.NaN()
}

// optionalMM is mm of a length that may be left out, then def.
func (p *workpiece) optionalMM(pointer string, q *length.Quantity, low, high, def float64) float64 {
	if q == nil {
		return def
	}
	return p.mm(pointer, *q, low, high)
}

func (p *workpiece) invalid() error {
	if len(p.faults) == 0 {
		return nil
	}
	return problem.Invalid(p.faults...)
}

// mmOut shows a computed size in millimetres.
func mmOut(mm float64, unit length.Unit) Length { return micrometresOut(mm*1000, string(unit)) }

// doubtful is a length in millimetres from low to high with its standard uncertainty,
// which is usual where none was given. The uncertainty must be over 0 and at most most.
func (p *workpiece) doubtful(pointer string, in DoubtfulLengthIn, low, high, usual, most float64) (value, u float64) {
	value = p.mm(pointer+"/value", in.Value, low, high)
	if in.U == nil {
		p.assume("assumed_u", fmt.Sprintf("Where a reading came without its uncertainty, a usual one was taken (%s: %.3g mm; common practice, no published source).", pointer, usual))
		return value, usual
	}
	return value, p.mm(pointer+"/u", *in.U, 1e-6, most)
}
