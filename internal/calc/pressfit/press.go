package pressfit

// Enough says whether a way of pressing reaches a force.
type Enough string

// Yes: the force is at most half of what it gives; Perhaps: at most all of it.
const (
	Yes     Enough = "yes"
	Perhaps Enough = "perhaps"
	No      Enough = "no"
)

// Press is a way to push a pin home.
type Press struct {
	Name   string
	Force  float64 // N it gives
	Enough Enough
}

const tonne = 9806.65 // N, the weight of 1000 kg at standard gravity

// presses in order of force. What hands give with clamps is common practice, no
// published source: an arm of 0.2 to 0.25 m, 200 to 300 N, and a screw that wastes
// most of it. Presses give what they are marked with, in tonnes.
var presses = []Press{
	{Name: "G-clamp, 150 mm", Force: 5_000},
	{Name: "arbor press, 1 t", Force: 1 * tonne},
	{Name: "bench vice, 125 mm", Force: 15_000},
	{Name: "arbor press, 3 t", Force: 3 * tonne},
	{Name: "hydraulic press, 10 t", Force: 10 * tonne},
	{Name: "hydraulic press, 20 t", Force: 20 * tonne},
	{Name: "hydraulic press, 30 t", Force: 30 * tonne},
}

// Presses says which of the common ways of pressing reach a force in N, from weak
// to strong. Half of what a press gives is left for a pin that stands
// askew or begins to gall (common practice, no published source).
func Presses(force float64) []Press {
	out := make([]Press, len(presses))
	for i, p := range presses {
		switch {
		case force <= p.Force/2:
			p.Enough = Yes
		case force <= p.Force:
			p.Enough = Perhaps
		default:
			p.Enough = No
		}
		out[i] = p
	}
	return out
}

// Tonnes is a force in N as the marking of presses counts it.
func Tonnes(force float64) float64 { return force / tonne }
