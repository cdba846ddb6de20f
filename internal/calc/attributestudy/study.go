package attributestudy

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"

	"pinwright/internal/calc/uncertainty"
)

// ErrStudy is wrapped by every error about a study that cannot be analysed; the
// error says what is wrong and how to mend it.
var ErrStudy = errors.New("not an attribute study")

// Confidence is that of the intervals when none is stated.
const Confidence = 0.95

// Part is what is known of a part from elsewhere. A study states one of the two for all parts.
type Part struct {
	Good *bool    // by a reference that is better than the gauge
	Size *float64 // µm from an origin common to all parts
}

// Study is decisions on parts.
type Study struct {
	Parts []Part
	// Accepted is by person, part and trial. Every person tries every part equally
	// often, at least once.
	Accepted [][][]bool
	// AcceptsSmall says that small parts are accepted, as by a ring gauge on a pin; else
	// large ones are, as bores are by a pin gauge.
	AcceptsSmall bool
	Confidence   float64 // the constant of that name when 0
}

// Share is a proportion with its exact interval. Of 0 means that there was nothing
// to count, and then it stands for nothing.
type Share struct {
	Count, Of int
	Share     float64
	Low, High float64
}

// Person is how one person did.
type Person struct {
	Consistent    Share // parts on which all trials agree with one another
	Effectiveness Share // parts on which all trials agree with the reference
	Correct       Share // decisions
	Misses        Share // of decisions on bad parts
	FalseAlarms   Share // of decisions on good parts
	Kappa         Kappa // against the reference
	Blur          *Blur // nil without sizes, or where it cannot be told
}

// Pair is how two people agree.
type Pair struct {
	First, Second int
	Kappa         Kappa
}

// Result is what a study says. Effectiveness and all that needs a reference is of
// counts 0 without one.
type Result struct {
	NParts, NPeople, NTrials int
	Reference                bool
	People                   []Person
	All                      Person // all people's trials on a part together
	Pairs                    []Pair
	Seen                     *Zone
	Confidence               float64
	Notes                    []uncertainty.Remark
}

// Codes of the notes.
const (
	NoReference   = "no_reference"
	NoSizes       = "no_sizes"
	NeverInDoubt  = "never_in_doubt"
	NothingToTell = "blur_not_told"
	OneKindOnly   = "one_kind_of_part"
	NotPossible   = "size_does_not_matter"
)

// Analyse works a study out. ErrStudy tells of cells that are missing or unequal
// and of parts of which too little is known.
func Analyse(s Study) (Result, error) {
	if err := s.check(); err != nil {
		return Result{}, err
	}
	if s.Confidence == 0 {
		s.Confidence = Confidence
	}
	r := Result{NParts: len(s.Parts), NPeople: len(s.Accepted), NTrials: len(s.Accepted[0][0]), Reference: s.Parts[0].Good != nil, Confidence: s.Confidence}
	together := make([][]bool, len(s.Parts))
	for _, person := range s.Accepted {
		r.People = append(r.People, s.person(person))
		for j, trials := range person {
			together[j] = append(together[j], trials...)
		}
	}
	r.All = s.person(together)
	for i := range s.Accepted {
		for j := i + 1; j < len(s.Accepted); j++ {
			r.Pairs = append(r.Pairs, Pair{First: i, Second: j, Kappa: kappaOf(crossed(s.Accepted[i], s.Accepted[j]))})
		}
	}
	r.Seen = s.seen(together)
	r.note(s)
	return r, nil
}

func (s Study) check() error {
	if len(s.Parts) == 0 || len(s.Accepted) == 0 {
		return fmt.Errorf("%w: it has no decisions", ErrStudy)
	}
	if s.Confidence != 0 && !(s.Confidence >= 0.5 && s.Confidence <= 0.999) {
		return fmt.Errorf("%w: a confidence of %v; it must be from 0.5 to 0.999, usually 0.95", ErrStudy, s.Confidence)
	}
	for j, p := range s.Parts {
		switch {
		case (p.Good == nil) != (s.Parts[0].Good == nil):
			return fmt.Errorf("%w: part %d and part 1 differ in whether it is known that they are good; say it of all parts or of none", ErrStudy, j+1)
		case (p.Size == nil) != (s.Parts[0].Size == nil):
			return fmt.Errorf("%w: part %d and part 1 differ in whether their size is known; give the size of all parts or of none", ErrStudy, j+1)
		case p.Good == nil && p.Size == nil && len(s.Accepted) < 2 && (len(s.Accepted[0]) == 0 || len(s.Accepted[0][0]) < 2):
			return fmt.Errorf("%w: one person who tried each part once, with nothing known of the parts, agrees with nobody and nothing; give a reference or sizes, or try again", ErrStudy)
		case p.Size != nil && !(math.Abs(*p.Size) <= 1e9):
			return fmt.Errorf("%w: the size of part %d is %v; it must be a number of micrometres below 1e9", ErrStudy, j+1, *p.Size)
		}
	}
	for i, person := range s.Accepted {
		if len(person) != len(s.Parts) {
			return fmt.Errorf("%w: person %d tried %d parts of %d; every person tries every part", ErrStudy, i+1, len(person), len(s.Parts))
		}
		for j, trials := range person {
			if len(trials) == 0 || len(trials) != len(s.Accepted[0][0]) {
				return fmt.Errorf("%w: person %d tried part %d %d times and person 1 tried part 1 %d times; equal trials in every cell are needed, at least one", ErrStudy, i+1, j+1, len(trials), len(s.Accepted[0][0]))
			}
		}
	}
	return nil
}

// person counts the decisions of one person, by part and trial.
func (s Study) person(accepted [][]bool) Person {
	var consistent, effective, correct, misses, alarms, onGood, onBad int
	var table crossTable
	for j, trials := range accepted {
		yes := 0
		for _, a := range trials {
			if a {
				yes++
			}
		}
		if yes == 0 || yes == len(trials) {
			consistent++
		}
		if s.Parts[j].Good == nil {
			continue
		}
		right := len(trials) - yes
		if *s.Parts[j].Good {
			right = yes
			onGood, alarms = onGood+len(trials), alarms+len(trials)-yes
			table[1][1] += float64(yes)
			table[0][1] += float64(len(trials) - yes)
		} else {
			onBad, misses = onBad+len(trials), misses+yes
			table[1][0] += float64(yes)
			table[0][0] += float64(len(trials) - yes)
		}
		correct += right
		if right == len(trials) {
			effective++
		}
	}
	p := Person{Consistent: s.share(consistent, len(accepted))}
	if s.Parts[0].Good != nil {
		p.Effectiveness, p.Correct = s.share(effective, len(accepted)), s.share(correct, onGood+onBad)
		p.Misses, p.FalseAlarms = s.share(misses, onBad), s.share(alarms, onGood)
		p.Kappa = kappaOf(table)
	}
	if s.Parts[0].Size != nil {
		p.Blur = s.blur(accepted)
	}
	return p
}

// share counts n of m with the interval of Clopper and Pearson.
func (s Study) share(n, m int) Share {
	out := Share{Count: n, Of: m, High: 1}
	if m == 0 {
		return Share{}
	}
	tail := (1 - s.Confidence) / 2
	out.Share = float64(n) / float64(m)
	if n > 0 {
		out.Low = mathext.InvRegIncBeta(float64(n), float64(m-n+1), tail)
	}
	if n < m {
		out.High = mathext.InvRegIncBeta(float64(n+1), float64(m-n), 1-tail)
	}
	return out
}

func (r *Result) note(s Study) {
	note := func(code, format string, args ...any) {
		r.Notes = append(r.Notes, uncertainty.Remark{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	if !r.Reference {
		note(NoReference, "Nothing says which parts are good, so only agreement is shown: people may agree and all be wrong.")
	} else if r.All.Misses.Of == 0 || r.All.FalseAlarms.Of == 0 {
		note(OneKindOnly, "All parts are good, or all are bad: one of the two errors could not happen. Choose parts on both sides of the limit, some close to it.")
	}
	switch b := r.All.Blur; {
	case s.Parts[0].Size == nil:
		note(NoSizes, "The parts' sizes are not known, so how wide the zone of doubt is cannot be told.")
	case b == nil && s.backwards():
		note(NotPossible, "Larger parts were not accepted oftener than smaller ones, as this gauge should: are the sizes right, and which parts it accepts?")
	case b == nil:
		note(NothingToTell, "All decisions were the same, so the limit lies beyond the parts and the blur cannot be told. Choose parts on both sides, some close to the limit.")
	case b.SD == 0:
		note(NeverInDoubt, "No decision was in doubt, or those on one size alone: the blur may be nothing, and is below %.3g µm at %.0f %% confidence. Parts closer to the limit would tell more.", b.High, 100*r.Confidence)
	}
}
