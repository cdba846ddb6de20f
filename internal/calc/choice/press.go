package choice

import (
	"fmt"
	"math"

	"pinwright/internal/calc/pressfit"
)

// Hub is what is known of the metal about the held bores of a joint.
type Hub struct {
	// Law is that of one held bore with its pin, by package pressfit; it does not
	// count when NoLaw says why elasticity has no answer: a knurled or splined
	// pin, whose crests cut their own seat, or an eye rolled with an open seam,
	// which only bends.
	Law   pressfit.Law
	NoLaw string
	Lost  float64 // interference that pressing takes away by flattening peaks, µm
	// Pressings is what the club learned from such pins, by crest size; nil: nothing.
	Pressings *pressfit.Learned
}

// Press is what pushing the pin into one held bore takes.
type Press struct {
	Force    Quantity // N, the pin pushed home
	Hold     float64  // N, mean, what it then resists at least
	Pressure float64  // MPa, at the mean interference
	Stress   float64  // MPa, at the hub's bore: by von Mises, of a brittle hub its pull
	Allowed  float64  // µm, the most interference that hub and pin stand with the safety asked for
	// Loose is the probability that the pin does not grip at all, Overstressed that hub
	// or pin is strained beyond what is allowed.
	Loose, Overstressed float64
	// Hand says whether a clamp worked by hand does it, judged by the force that is
	// exceeded once in forty; Means is the weakest common means that surely does.
	Hand  pressfit.Enough
	Means string
	// Learned says that the force was taken from pressings, not from elasticity: no
	// stress is known then.
	Learned bool
}

// surePressing is the probability with which the means of pressing suffice.
const surePressing = 0.975

// press fills what pushing the pin in takes, where an option ends with a pin in
// held bores.
func (b *bench) press(o *Option) {
	hub, q := b.joint.Hub, o.Interference
	if hub == nil || q == nil {
		return
	}
	if hub.NoLaw != "" {
		b.learnedPress(o)
		return
	}
	mean, sd := (q.Mean-hub.Lost)/1000, q.SD/1000
	force, err := hub.Law.Force(mean, sd, hub.Law.PerUM.Force)
	if err != nil {
		panic("choice: " + err.Error()) // a quantity of ours is finite
	}
	hold, err := hub.Law.Force(mean, sd, hub.Law.PerUM.Hold)
	if err != nil {
		panic("choice: " + err.Error())
	}
	grips := math.Max(0, mean*1000)
	p := Press{
		Force:    Quantity{force.Mean, force.SD, force.Quantile(1 - surePressing), force.Quantile(surePressing)},
		Hold:     hold.Mean,
		Pressure: grips * hub.Law.PerUM.Pressure,
		Stress:   grips * hub.stress(),
		Allowed:  hub.Law.Allowed*1000 + hub.Lost,
		Loose:    force.Loose, Overstressed: force.Overstressed,
	}
	p.Hand, p.Means = meansFor(p.Force.High)
	o.Press = &p
	if p.Overstressed > notable {
		o.Reasons = append(o.Reasons, Reason{Code: "hub_overstressed",
			Params: []Param{{"probability", p.Overstressed, "1"}, {"stress", p.Stress, "MPa"}, {"allowed", p.Allowed, "um"}},
			Text:   fmt.Sprintf("With probability %.2f the pin is too large for its held bore: hub and pin stand %.0f µm of interference, and about %.0f µm are to be expected. The hub may split or stay wide.", p.Overstressed, p.Allowed, q.Mean)})
	}
	if p.Loose > notable {
		o.Reasons = append(o.Reasons, Reason{Code: "held_bore_loose", Params: []Param{{"probability", p.Loose, "1"}},
			Text: fmt.Sprintf("With probability %.2f the pin does not grip in its held bore.", p.Loose)})
	}
}

func (h Hub) stress() float64 {
	if h.Law.HubBrittle() {
		return h.Law.PerUM.HubBore.Tension()
	}
	return h.Law.PerUM.HubBore.Mises()
}

// learnedPress is the force where elasticity has no answer, from earlier pressings.
func (b *bench) learnedPress(o *Option) {
	o.Reasons = append(o.Reasons, Reason{Code: "no_elastic_answer", Text: b.joint.Hub.NoLaw})
	if b.joint.Hub.Pressings == nil {
		return
	}
	middle, low, high, outside, err := b.joint.Hub.Pressings.Next(o.Interference.Mean, 2*surePressing-1)
	if err != nil {
		return // no crest interference: nothing to press
	}
	p := Press{Force: Quantity{middle, (high - low) / 4, low, high}, Learned: true}
	p.Hand, p.Means = meansFor(high)
	o.Press = &p
	if outside {
		o.Reasons = append(o.Reasons, Reason{Code: "outside_pressings",
			Text: "No pin with so much or so little over its crests was pressed in before: the force is a guess beyond what was seen."})
	}
}

// meansFor is whether a hand clamp reaches a force, and the weakest means that
// surely does; empty when none of the common ones do.
func meansFor(force float64) (hand pressfit.Enough, means string) {
	list := pressfit.Presses(force)
	for _, p := range list {
		if p.Enough == pressfit.Yes {
			means = p.Name
			break
		}
	}
	return list[0].Enough, means
}
