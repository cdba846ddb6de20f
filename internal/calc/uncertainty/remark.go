package uncertainty

// Remark is a sentence for people with its code and numbers for programs, so that
// a client can say it in another language.
type Remark struct {
	Code   string
	Params []Param
	Text   string
}

// Param is a number of a Remark.
type Param struct {
	Name  string
	Value float64
	Unit  string // "um", "Cel" (degrees Celsius), "K", "1/K", "deg", "1"
}

// Codes of what is assumed. Each stands in Result.Assumed or GaugeSize.Assumed.
const (
	AssumedResolution          = "assumed_resolution"
	AssumedRepeatability       = "assumed_repeatability"
	AssumedCalibration         = "assumed_calibration"
	AssumedCoverageFactor      = "assumed_coverage_factor"
	AssumedBias                = "assumed_bias"
	AssumedTemperature         = "assumed_temperature"
	AssumedDifference          = "assumed_temperature_difference"
	AssumedExpansion           = "assumed_expansion"
	AssumedInstrumentExpansion = "assumed_instrument_expansion"
	AssumedGaugeClass          = "assumed_gauge_class"
	AssumedFeel                = "assumed_feel"
	AssumedPeopleAlike         = "assumed_people_alike"
	AssumedDrift               = "assumed_drift"
)

// Codes of warnings.
const (
	CalibrationLapsed = "calibration_lapsed"
	FarFromTwenty     = "far_from_20_degrees"
)
