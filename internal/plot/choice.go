package plot

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Verdict is how far a choice is settled.
type Verdict string

// The verdicts.
const (
	Decided     Verdict = "decided"     // within the risk that is accepted
	Provisional Verdict = "provisional" // the best there is, short of that
	NothingOpen Verdict = "nothing open"
)

// Choice is what is to be done with a set of joints: which options each has, with
// the odds that it comes out right, and which is taken.
type Choice struct {
	Title   string
	First   string // what has to be said before anything else; may be empty
	Care    string // the usual cautions of the work; may be empty
	Notes   []string
	Verdict Verdict
	Odds    float64 // that all comes out right
	Asked   float64 // what the odds should be at least
	Options []string
	Joints  []ChoiceJoint
	Next    string // the measurement that would make it surer; may be empty
}

// ChoiceJoint is one joint of the set. Chosen and RunnerUp are places in Options,
// -1 for none.
type ChoiceJoint struct {
	Name             string
	Verdict          Verdict
	Chosen, RunnerUp int
	Odds             []float64 // by option; NaN where it is not open
	Text             string    // what is done, with sizes
	Else             string    // the runner-up and why not; may be empty
}

const (
	mostColumns = 5 // joints beside each other
	cellHigh    = 34.0
)

// Percent spells odds within the width of a cell, without claiming certainty.
func Percent(p float64) string {
	switch {
	case !finite(p):
		return "–"
	case p >= 0.995 && p < 1:
		return ">99"
	case p > 0 && p < 0.005:
		return "<1"
	}
	return fmt.Sprintf("%.0f", 100*math.Min(math.Max(p, 0), 1))
}

// SVG draws the choice.
func (ch Choice) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, ch.Title)
	if ch.First != "" {
		c.framed(ch.First)
	}
	c.verdict(ch)
	rows := ch.rows()
	for from := 0; from < len(ch.Joints); from += mostColumns {
		c.matrix(ch, rows, from, min(from+mostColumns, len(ch.Joints)))
	}
	if len(rows) > 0 {
		c.key()
		if more := len(ch.Options) - len(rows); more > 0 {
			c.paragraph("dim", 14, "Of lesser odds, in the answer: "+count(more, "further option")+".")
		}
	}
	c.y += 4
	for i, j := range ch.Joints {
		c.joint(i, j)
	}
	if ch.Next != "" {
		c.y += 10
		c.paragraph("sub", 14, "To be surer")
		c.paragraph("", 14, ch.Next)
	}
	if ch.Care != "" {
		c.y += 6
		c.framed(ch.Care)
	}
	for _, n := range ch.Notes {
		c.y += 6
		c.paragraph("dim", 14, n)
	}
	return c.svg(s, ch.Title, ch.describe())
}

// rows are the options worth a row: taken, second, or not hopeless somewhere; of too
// many the likelier ones.
func (ch Choice) rows() []int {
	const most = 14
	best := make([]float64, len(ch.Options))
	for _, j := range ch.Joints {
		for o := range ch.Options {
			if o < len(j.Odds) && finite(j.Odds[o]) {
				best[o] = math.Max(best[o], j.Odds[o])
			}
			switch o {
			case j.Chosen:
				best[o] = 3
			case j.RunnerUp:
				best[o] = math.Max(best[o], 2)
			}
		}
	}
	var rows []int
	for o := range ch.Options {
		if best[o] >= 0.005 {
			rows = append(rows, o)
		}
	}
	for len(rows) > most {
		worst := 0
		for i, o := range rows {
			if best[o] < best[rows[worst]] {
				worst = i
			}
		}
		rows = slices.Delete(rows, worst, worst+1)
	}
	return rows
}

// framed writes what must not be overlooked.
func (c *canvas) framed(text string) {
	lines := wrap(text, 14, false, inner-24)
	c.y += 8
	c.rect("pale-bad", margin, c.y, inner, float64(len(lines))*19+12)
	c.line("bad solid thick", margin+3, c.y, margin+3, c.y+float64(len(lines))*19+12)
	for i, l := range lines {
		c.text("", "start", margin+14, c.y+20+19*float64(i), l)
	}
	c.y += float64(len(lines))*19 + 14
}

var looks = map[Verdict]struct {
	letter string
	shape  shape
}{Decided: {"c", disc}, Provisional: {"b", diamond}, NothingOpen: {"bad", cross}}

// verdict tells how far all is settled, and draws the odds beside what is asked.
func (c *canvas) verdict(ch Choice) {
	look := looks[ch.Verdict]
	c.y += 10
	c.sign(ch.Verdict, margin+8, c.y+10)
	c.text("big word-"+look.letter, "start", margin+24, c.y+16, strings.ToUpper(string(ch.Verdict[:1]))+string(ch.Verdict[1:]))
	c.y += 24
	if !finite(ch.Odds) {
		return
	}
	c.paragraph("", 14, Percent(ch.Odds)+" % that all comes out right")
	c.y += 4
	x := scale{0, 1, margin, width - margin}
	c.rect("cell", x.from, c.y, inner, 18)
	c.rect("bar-"+look.letter, x.from, c.y, x.within(ch.Odds)-x.from, 18)
	if finite(ch.Asked) {
		at := x.within(ch.Asked)
		c.line("over-line", at, c.y-4, at, c.y+22)
		c.line("ink", at, c.y-4, at, c.y+22)
		c.text("", "end", math.Min(at+24, width-margin), c.y+37, Percent(ch.Asked)+" % asked for")
		c.y += 22
	}
	c.y += 24
}

// sign is the shape of a verdict.
func (c *canvas) sign(v Verdict, x, y float64) {
	switch look := looks[v]; look.shape {
	case cross:
		c.mark(cross, "bad solid", x, y, 6)
	case disc:
		c.mark(disc, "mark-c", x, y, 8)
	default:
		c.mark(diamond, "mark-b", x, y, 7)
	}
}

// matrix draws the odds of each option for some of the joints.
func (c *canvas) matrix(ch Choice, rows []int, from, until int) {
	if len(rows) == 0 {
		return
	}
	const wide = 40.0
	left := width - margin - wide*float64(min(mostColumns, len(ch.Joints)))
	c.y += 6
	for i := from; i < until; i++ {
		c.text("sub", "middle", left+wide*(float64(i-from)+0.5), c.y+15, fmt.Sprint(i+1))
	}
	c.text("dim", "start", margin, c.y+15, "Joint")
	c.y += 22
	for _, o := range rows {
		lines := wrap(ch.Options[o], 14, false, left-margin-8)
		if len(lines) > 2 {
			lines = []string{lines[0], shorten(strings.Join(lines[1:], " "), 14, false, left-margin-8)}
		}
		high := math.Max(cellHigh, 18*float64(len(lines))+2)
		for k, l := range lines {
			c.text("", "start", margin, c.y+high/2+5+18*(float64(k)-float64(len(lines)-1)/2), l)
		}
		for i := from; i < until; i++ {
			j := ch.Joints[i]
			odds := math.NaN()
			if o < len(j.Odds) {
				odds = j.Odds[o]
			}
			x := left + wide*float64(i-from)
			c.cell(x, c.y, wide, high, odds, j, o)
		}
		c.y += high
	}
	c.y += 8
}

func (c *canvas) cell(x, y, wide, high float64, odds float64, j ChoiceJoint, option int) {
	c.rect("cell", x+1.5, y+1.5, wide-3, high-3)
	if finite(odds) {
		full := math.Min(math.Max(odds, 0), 1) * (high - 5)
		c.rect("pale-a", x+2.5, y+high-2.5-full, wide-5, full)
		c.text(map[bool]string{true: "sub", false: ""}[option == j.Chosen], "middle", x+wide/2, y+high/2+5, Percent(odds))
	} else {
		c.text("dim", "middle", x+wide/2, y+high/2+5, "–")
	}
	switch option {
	case j.Chosen:
		c.rect("chosen", x+3, y+3, wide-6, high-6)
	case j.RunnerUp:
		c.rect("second", x+3.5, y+3.5, wide-7, high-7)
	}
}

// key says what the frames mean.
func (c *canvas) key() {
	c.rect("cell", margin, c.y, 22, 20)
	c.rect("chosen", margin+1.5, c.y+1.5, 19, 17)
	c.text("", "start", margin+29, c.y+15, "chosen")
	c.rect("cell", margin+104, c.y, 22, 20)
	c.rect("second", margin+106, c.y+2, 18, 16)
	c.text("", "start", margin+133, c.y+15, "runner-up")
	c.text("", "start", margin+224, c.y+15, "– not open")
	c.y += 24
	c.paragraph("dim", 14, "Numbers: odds of a fit, in %")
}

// joint tells what is done with one joint.
func (c *canvas) joint(i int, j ChoiceJoint) {
	c.y += 10
	c.line("rule", margin, c.y, width-margin, c.y)
	c.y += 4
	c.sign(j.Verdict, width-margin-9, c.y+11)
	c.text("dim", "end", width-margin-24, c.y+16, string(j.Verdict))
	room := inner - textWidth(string(j.Verdict), 14, false) - 32
	for _, l := range wrap(fmt.Sprintf("%d  %s", i+1, j.Name), 14, true, room) {
		c.text("sub", "start", margin, c.y+16, l)
		c.y += 18
	}
	c.y += 3
	c.paragraph("", 14, j.Text)
	if j.Else != "" {
		c.paragraph("dim", 14, j.Else)
	}
}

func (ch Choice) describe() string {
	var out strings.Builder
	sentence := func(text string) {
		if text = strings.TrimSpace(text); text != "" {
			out.WriteString(text)
			if !strings.ContainsAny(text[len(text)-1:], ".!?") {
				out.WriteByte('.')
			}
			out.WriteByte(' ')
		}
	}
	sentence(ch.First)
	if finite(ch.Odds) {
		sentence(fmt.Sprintf("The set is %s: %s %% that all comes out right, %s %% asked for", ch.Verdict, Percent(ch.Odds), Percent(ch.Asked)))
	} else {
		sentence(fmt.Sprintf("The set: %s", ch.Verdict))
	}
	for i, j := range ch.Joints {
		sentence(fmt.Sprintf("Joint %d, %s, %s: %s", i+1, j.Name, j.Verdict, j.Text))
		sentence(j.Else)
		var odds []string
		for o, name := range ch.Options {
			if o < len(j.Odds) && finite(j.Odds[o]) {
				odds = append(odds, name+" "+Percent(j.Odds[o])+" %")
			}
		}
		if len(odds) > 0 {
			sentence("Odds of a fit: " + strings.Join(odds, ", "))
		}
	}
	sentence(ch.Next)
	sentence(ch.Care)
	for _, n := range ch.Notes {
		sentence(n)
	}
	return strings.TrimSpace(out.String())
}
