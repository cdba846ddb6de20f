package repair

import (
	"fmt"
	"math"
	"strings"

	"pinwright/internal/calc/driver"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/reaming"
	"pinwright/internal/recommend"
	"pinwright/internal/vehicle"
)

// Figure is numbers of the trade that a step of a joint asks for, worked out from the
// joint and from what was recommended. Missing says what has to be known first; then
// there are no numbers.
type Figure struct {
	Code    string
	Text    string
	Sizes   []Sized
	Numbers []Number
	Assumed []recommend.Remark
	Source  string
	Missing string
}

// Sized is a length of a figure, with what it is.
type Sized struct {
	Name string
	Size length.Length
}

// Number is another number of a figure, in a unit of UCUM.
type Number struct {
	Name  string
	Value float64
	Unit  string
}

const (
	practice = "common practice, no published source"
	kept     = "the recommendation that the repair names"
)

// Figures are those that s asks for, in words with lengths in unit.
func (w *Work) Figures(s Step, unit length.Unit) []Figure {
	var out []Figure
	for _, code := range w.Of(s).Figures {
		for _, j := range w.Joints {
			if s.JointID != nil && *s.JointID == j.JointID {
				out = append(out, w.figure(code, j, unit))
			}
		}
	}
	return out
}

// figure works one figure of a joint out.
func (w *Work) figure(code string, j Joint, unit length.Unit) Figure {
	f := Figure{Code: code}
	chosen, decided := w.Chosen[j.JointID]
	say := func(l length.Length) string {
		number, _, _ := strings.Cut(l.Rounded(unit, places[unit]), " ")
		if strings.Contains(number, ".") {
			number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
		}
		return number + " " + string(unit)
	}
	switch code {
	case "driver", "screw_travel":
		f.drive(code, j, say)
	case "held_and_running":
		f.duties(j)
	default:
		if !decided {
			f.Missing = "a recommendation for " + j.Position + ", named in the repair"
			break
		}
		switch code {
		case "speed":
			f.speed(j, chosen, say)
		case "stock":
			f.stock(chosen, say)
		case "cut_size":
			f.cut(chosen, say)
		case "play":
			f.play(chosen, say)
		case "press":
			f.press(chosen)
		}
	}
	if f.Missing != "" {
		f.Text = "Not worked out: it takes " + f.Missing + "."
	}
	return f
}

// places is how many decimals a size of the workshop shows.
var places = map[length.Unit]int{length.Millimetre: 3, length.Micrometre: 0, length.Inch: 4, length.Thou: 1}

func (f *Figure) assume(code, text string) {
	f.Assumed = append(f.Assumed, recommend.Remark{Code: code, Text: text})
}

// cylinders are a joint's features of a shape, with a nominal size.
func (j Joint) cylinders(shape string) []vehicle.Cylinder {
	var out []vehicle.Cylinder
	for _, c := range j.Cylinders {
		if c.Shape == shape && c.NominalNM != nil {
			out = append(out, c)
		}
	}
	return out
}

// drive chooses the rods that push the pin out, and says how far the screw may go.
func (f *Figure) drive(code string, j Joint, say func(length.Length) string) {
	pins, bores := j.cylinders(vehicle.Pin), j.cylinders(vehicle.Bore)
	if len(pins) == 0 || len(bores) == 0 {
		f.Missing = "the nominal sizes of pin and bores of " + j.Position
		return
	}
	mm := func(nm *int64) float64 { return length.Length(*nm).Millimetres() }
	q := driver.Question{Pin: mm(pins[0].NominalNM)}
	if l := pins[0].LengthNM; l != nil {
		q.PinLength = mm(l)
	}
	whole := true
	for _, b := range bores {
		q.Bores = append(q.Bores, mm(b.NominalNM))
		if whole = whole && b.LengthNM != nil; whole {
			q.Through += mm(b.LengthNM)
		}
	}
	if !whole {
		q.Through = 0
	}
	a, err := driver.Choose(q)
	if err != nil {
		f.Missing = "sizes from 1 to 100 mm and lengths to 1 m"
		return
	}
	f.Source = practice
	size := func(name string, millimetres float64) string {
		l := length.FromMicrometres(millimetres * 1000)
		f.Sizes = append(f.Sizes, Sized{name, l})
		return say(l)
	}
	const millimetre length.Length = 1_000_000
	f.assume("assumed_nominal_sizes", "Pin and bores were taken at their nominal sizes; a rusted bore may be tighter, so try the driver in it by hand first.")
	if code == "driver" {
		f.Text = fmt.Sprintf("Start with a driver of %s, %s long at most; follow with one of %s, which passes every bore", size("start_diameter", a.Start.Diameter), size("start_length", a.Start.Length), size("follow_diameter", a.Follow.Diameter))
		if a.Follow.Length == 0 {
			f.Text += fmt.Sprintf(". Its length: that of all bores together and %s more; set the joint's `lengths` to have it told.", say(10*millimetre))
			return
		}
		f.Numbers = append(f.Numbers, Number{"follow_bears", math.Floor(a.MostForce/100) * 100, "N"})
		f.Text += fmt.Sprintf(" and is %s long. Pushed straight it bears %.1f kN; a longer one bears less.", size("follow_length", a.Follow.Length), math.Floor(a.MostForce/100)/10)
		f.Source += "; what it bears by Euler's and Johnson's column formulas"
		f.assume("assumed_driver_steel", "The driver was taken to be of quenched and tempered steel, half of whose strength is used.")
		return
	}
	switch {
	case a.Travel == 0:
		f.Missing = "the lengths of the bores, which PATCH takes as `lengths` of the joint " + j.Position
	case !a.Known:
		f.Text = fmt.Sprintf("The screw may go until the pin's end is level with the boss, then the smaller driver follows; in all the pin travels %s and what it stands out. Measure that, or set the pin's length.", size("through", q.Through))
	case a.ScrewTravel == 0:
		f.Text = fmt.Sprintf("The pin does not stand out: begin with the smaller driver. In all the pin travels %s.", size("travel", a.Travel))
	default:
		f.Text = fmt.Sprintf("The screw may go %s with the driver as large as the pin; then the smaller one must follow, or the larger meets the boss. In all the pin travels %s.", size("screw_travel", a.ScrewTravel), size("travel", a.Travel))
		f.assume("assumed_stands_out_alike", "The pin was taken to stand out alike at both ends: measure it at the end that you push.")
	}
}

// duties says which bores hold the pin and which run on it.
func (f *Figure) duties(j Joint) {
	var held, running []string
	for _, c := range j.Cylinders {
		switch {
		case c.Shape != vehicle.Bore:
		case c.Duty == vehicle.Held:
			held = append(held, c.Code)
		default:
			running = append(running, c.Code)
		}
	}
	f.Source = "the joint's features"
	switch {
	case len(held) == 0:
		f.Text = fmt.Sprintf("All bores run (%s): nothing is pressed.", strings.Join(running, ", "))
	case len(running) == 0:
		f.Text = fmt.Sprintf("All bores hold the pin (%s).", strings.Join(held, ", "))
	default:
		f.Text = fmt.Sprintf("Held: %s, which grips the pin and is never cut to the running size. Runs: %s, which turns on it.", strings.Join(held, ", "), strings.Join(running, ", "))
	}
}

// works are what a boss's material is to the table of speeds; what is not listed is
// asked for.
var works = map[string]reaming.Work{"": "low_carbon_steel", "steel_mild": "low_carbon_steel", "cast_iron_grey": "grey_cast_iron", "cast_iron_malleable": "malleable_iron",
	"bronze": "bronze", "bronze_cast": "bronze", "brass": "brass", "aluminium": "wrought_aluminium"}

// speed is how fast to turn the reamer, and how to feed it.
func (f *Figure) speed(j Joint, c Chosen, say func(length.Length) string) {
	if c.Reamer == nil {
		f.Missing = "a recommendation that cuts " + j.Position
		return
	}
	material, hb := "", 0.0
	if j.Boss.Material != nil {
		material = *j.Boss.Material
	}
	if j.Boss.HardnessHB != nil {
		hb = *j.Boss.HardnessHB
	}
	work, known := works[material]
	if !known {
		f.Missing = "a material that a reamer of high-speed steel cuts; " + strings.ReplaceAll(material, "_", " ") + " is not in the table"
		return
	}
	a, err := reaming.Advise(reaming.Question{Diameter: c.Reamer.Millimetres(), Work: work, HB: hb})
	if err != nil {
		f.Missing = "a size and hardness that the table of speeds reaches"
		return
	}
	if material == "" {
		f.assume("assumed_boss_material", "The boss was taken to be of mild steel.")
	}
	for _, r := range a.Assumed {
		f.assume(r.Code, r.Text)
	}
	f.Numbers = append(f.Numbers, Number{"spindle_least", math.Round(a.Spindle.Least), "/min"}, Number{"spindle_most", math.Round(a.Spindle.Greatest), "/min"},
		Number{"feed_least", a.Feed.Least, "mm"}, Number{"feed_most", a.Feed.Greatest, "mm"})
	feed := func(millimetres float64) string { return say(length.FromMicrometres(1000 * millimetres)) }
	f.Text = fmt.Sprintf("In a pillar drill %.0f to %.0f turns a minute, feed %s to %s a turn; by hand slowly and steadily. %s", a.Spindle.Least, a.Spindle.Greatest, feed(a.Feed.Least), feed(a.Feed.Greatest), a.Coolant.Text)
	f.Source = "the table of reaming speeds; see the calculator reaming"
}

// stock is what is left to cut.
func (f *Figure) stock(c Chosen, say func(length.Length) string) {
	if c.Allowance == nil {
		f.Missing = "a recommendation that cuts"
		return
	}
	f.Sizes = []Sized{{"stock", c.Allowance.Median}, {"stock_low", c.Allowance.Low}, {"stock_high", c.Allowance.High}}
	f.Text = fmt.Sprintf("There is %s to cut, on diameter (%s to %s). Too little only rubs.", say(c.Allowance.Median), say(c.Allowance.Low), say(c.Allowance.High))
	f.Source = kept
}

// cut is the size to expect after the cut.
func (f *Figure) cut(c Chosen, say func(length.Length) string) {
	switch {
	case c.Bush != nil:
		f.Sizes = []Sized{{"hole_smallest", c.Bush.HoleSmallest}, {"hole_largest", c.Bush.HoleLargest}, {"finished_smallest", c.Bush.FinishedSmallest}, {"finished_largest", c.Bush.FinishedLargest}}
		f.Text = fmt.Sprintf("Bore the hole for the bush to %s to %s; finish the bush to %s to %s once it is in.", say(c.Bush.HoleSmallest), say(c.Bush.HoleLargest), say(c.Bush.FinishedSmallest), say(c.Bush.FinishedLargest))
	case c.Reamer != nil:
		f.Sizes = []Sized{{"cut_size", *c.Reamer}}
		f.Text = fmt.Sprintf("The running bores come out at %s, give or take %s with a good reamer; a dull or wandering one cuts otherwise, so measure.", say(*c.Reamer), say(3000))
		if c.HeldReamer != nil {
			f.Sizes = append(f.Sizes, Sized{"held_cut_size", *c.HeldReamer})
			f.Text += fmt.Sprintf(" The held bores are cut to %s with a reamer of their own.", say(*c.HeldReamer))
		}
		f.assume("assumed_cut_size", fmt.Sprintf("A reamer was taken to cut its own size, give or take %s (common practice, no published source).", say(3000)))
	default:
		f.Missing = "a recommendation that cuts"
		return
	}
	f.Source = kept
}

// play is the clearance to expect.
func (f *Figure) play(c Chosen, say func(length.Length) string) {
	if c.Clearance == nil {
		f.Missing = "a recommendation that tells the clearance"
		return
	}
	f.Sizes = []Sized{{"clearance", c.Clearance.Median}, {"clearance_low", c.Clearance.Low}, {"clearance_high", c.Clearance.High}}
	f.Text = fmt.Sprintf("Expect %s of play, on diameter (%s to %s).", say(c.Clearance.Median), say(c.Clearance.Low), say(c.Clearance.High))
	f.Source = kept
}

// press is what pushing the pin home takes.
func (f *Figure) press(c Chosen) {
	switch {
	case c.Press != nil:
		p := c.Press
		f.Numbers = []Number{{"force", math.Round(p.Force), "N"}, {"force_low", math.Round(p.Low), "N"}, {"force_high", math.Round(p.High), "N"}}
		f.Text = fmt.Sprintf("Pressing the pin home takes about %.1f kN (%.1f to %.1f).", p.Force/1000, p.Low/1000, p.High/1000)
		if p.HandClamp {
			f.Text += " A clamp worked by hand is enough."
		} else {
			f.Text += " A clamp worked by hand is not surely enough"
			if p.Means != "" {
				f.Text += "; " + p.Means + " is"
			}
			f.Text += "."
		}
	case c.Bush != nil:
		f.Numbers = []Number{{"force_high", math.Round(c.Bush.Force), "N"}}
		f.Text = fmt.Sprintf("Pressing the bush in takes up to %.1f kN.", c.Bush.Force/1000)
	default:
		f.Missing = "a held bore whose boss is known (its diameter and material): the recommendation told no force"
		return
	}
	f.Source = kept + " (Lamé; DIN 7190 for what roughness takes)"
}
