package vehicle

// ShippedTemplates are the joint templates that every club begins with, without
// ids. Which features such a joint has, which of them are pressed and what to
// beware of is common practice, no published source; so is the target, a reamer one
// thousandth of an inch over the pin. Nominal sizes differ from car to car and
// are left to the joint; form errors are left to the engine's defaults.
//
// Where a pin is pressed at its ends those ends do not wear, and witness its
// original size.
func ShippedTemplates() []Template {
	bore := func(code, duty string) Cylinder { return Cylinder{Code: code, Shape: Bore, Duty: duty} }
	pin := func(code, duty string) Cylinder { return Cylinder{Code: code, Shape: Pin, Duty: duty} }
	templates := []Template{
		{
			Code: "door-hinge", Name: "Door hinge with a pin", Means: Means{Guidance: Floating},
			Cautions: []string{"door_weight", "spring_load", "heat", "penetrant", "acid", "striking", "rotating_tool"},
			Features: []Cylinder{bore("bore", Running), bore("held_bore", Held), pin("pin", Held)},
		},
		{
			Code: "pedal-pivot", Name: "Pedal pivot", Means: Means{Guidance: Floating}, SafetyCritical: true,
			Cautions: []string{"spring_load", "heat", "penetrant", "striking", "rotating_tool"},
			Features: []Cylinder{bore("bore", Running), bore("held_bore", Held), pin("pin", Held)},
		},
		{
			// Both bushes are cut in one line, or the stub axle binds: the reamer is
			// piloted.
			Code: "king-pin", Name: "King pin", Means: Means{Guidance: HeldToAxis}, SafetyCritical: true,
			Cautions: []string{"lifting", "spring_load", "heat", "penetrant", "striking", "rotating_tool"},
			Features: []Cylinder{bore("upper_bush", Running), bore("lower_bush", Running), bore("axle_eye", Held), pin("pin", Held)},
		},
		{
			// The spindle turns in both walls of the body, so the reamer for one is
			// piloted in the other. No heat: there is fuel about.
			Code: "throttle-spindle", Name: "Throttle spindle", Means: Means{Guidance: HeldToAxis},
			Cautions: []string{"spring_load", "penetrant", "rotating_tool"},
			Features: []Cylinder{bore("lever_side", Running), bore("far_side", Running), pin("spindle", Running)},
		},
		{
			Code: "shackle", Name: "Spring shackle", Means: Means{Guidance: Floating}, SafetyCritical: true,
			Cautions: []string{"lifting", "spring_load", "heat", "penetrant", "striking", "rotating_tool"},
			Features: []Cylinder{bore("bush", Running), bore("plate", Held), pin("pin", Held)},
		},
	}
	for i := range templates {
		templates[i].Target = Target{Thousandth: true}
		templates[i].Version = 1
		templates[i].Features[0].Usual = true // the running bore that is looked at first
	}
	return templates
}
