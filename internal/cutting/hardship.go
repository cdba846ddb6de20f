package cutting

// How much more a metre wears a reamer than one in low carbon steel with cutting oil does, for which rates
// are told. Orders of magnitude (common practice, no published source): what the club's own reamers tell of
// lubricants and materials is in WearByCutting, which does not rest on these.
var (
	byMaterial = map[string]float64{
		"low_carbon_steel": 1, "medium_carbon_steel": 1.3, "high_carbon_steel": 1.8,
		"free_cutting_steel": 0.7, "free_cutting_medium_carbon_steel": 0.9, "leaded_steel": 0.7, "free_cutting_alloy_steel": 1.1, "alloy_steel": 1.6, "cast_steel": 1.6,
		"grey_cast_iron": 1.2, "malleable_iron": 1, "ductile_iron": 1.3,
		"free_cutting_stainless_steel": 1.5, "austenitic_stainless_steel": 2.5, "martensitic_stainless_steel": 2,
		"wrought_aluminium": 0.5, "cast_aluminium": 0.7, "brass": 0.4, "bronze": 0.6,
	}
	byLubricant = map[string]float64{"cutting_oil": 1, "sulphurised_oil": 1, "soluble_oil": 1, "light_oil": 1.2, "paraffin": 1.2, "dry": 2}
	cutDry      = map[string]bool{"grey_cast_iron": true, "malleable_iron": true, "brass": true} // by custom, and no worse for it
)

// hardship is how much a metre cut in a material with a lubricant counts; what was not told counts once.
func hardship(material, lubricant *string) float64 {
	out := 1.0
	if material != nil {
		if v, ok := byMaterial[*material]; ok {
			out = v
		}
	}
	if lubricant != nil && (material == nil || *lubricant != "dry" || !cutDry[*material]) {
		if v, ok := byLubricant[*lubricant]; ok {
			out *= v
		}
	}
	return out
}
