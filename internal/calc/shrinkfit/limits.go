package shrinkfit

// Limit is a temperature in °C that a part should not pass.
type Limit struct {
	Name    string // of what is there
	Celsius float64
	Cold    bool // it is a lower limit
	Why     string
	Source  string
}

const practice = "common practice, no published source"

// Limits of what may be on or in a part.
var Limits = []Limit{
	{"adhesive", 80, false, "thread-locking and retaining adhesives soften", practice},
	{"plastic", 80, false, "plastic bushes, clips and wire insulation soften", practice},
	{"rubber", 100, false, "rubber and seals harden or burn", practice},
	{"zinc_plating", 120, false, "the passivated skin of zinc cracks and no longer protects; much hotter, zinc fumes make ill", practice},
	{"paint", 120, false, "paint discolours and blisters; its fumes are harmful", practice},
	{"grease", 120, false, "grease runs out, smokes and can burn", practice},
	{"aged_aluminium", 150, false, "age-hardened aluminium loses strength", practice},
	{"hardened", 160, false, "case-hardened and roller-bearing steel is tempered at about 160 °C and softens beyond", practice},
	{"soft_solder", 160, false, "soft solder weakens and then melts at about 183 °C", "melting point of the tin-lead eutectic, 183 °C"},
	{"cadmium_plating", 200, false, "cadmium cracks steel it wets and its fumes can kill; do not heat it at all where it can be avoided", practice},
	{"galvanised", 200, false, "zinc peels from the iron, and hotter it gives fumes that make ill", practice},
	{"bright_finish", 200, false, "bright steel takes the straw colour of tempering", practice},
	{"blued_finish", 290, false, "blueing is lost or changes its colour", practice},
	{"bare_steel", 350, false, "mild steel scales and loses strength", practice},
	{"cast_iron", 350, false, "cast iron cracks when it is heated unevenly or quickly", practice},
	{"rubber_cold", -30, true, "rubber and seals become brittle", practice},
	{"plastic_cold", -30, true, "plastic becomes brittle", practice},
	{"hardened_cold", -80, true, "austenite kept in hardened steel changes and the pin stays larger afterwards", practice},
	{"bare_steel_cold", -40, true, "plain steel is brittle when cold: push it in, never strike it", practice},
}

// Names are the names that a part's parts may have: those of Limits without the
// cold ones, which follow from them.
func Names() []string {
	var out []string
	for _, l := range Limits {
		if !l.Cold {
			out = append(out, l.Name)
		}
	}
	return out
}

// passed lists what a part at a temperature should not have on it.
func passed(names []string, celsius float64) []Limit {
	var out []Limit
	for _, l := range Limits {
		for _, n := range names {
			if !l.Cold && n == l.Name && celsius > l.Celsius || l.Cold && n+"_cold" == l.Name && celsius < l.Celsius {
				out = append(out, l)
			}
		}
	}
	return out
}

func known(name string) bool {
	for _, l := range Limits {
		if !l.Cold && l.Name == name {
			return true
		}
	}
	return false
}
