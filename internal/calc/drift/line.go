package drift

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ErrHistory is wrapped by every error about a history that cannot be used; the
// error says what is wrong and how to mend it.
var ErrHistory = errors.New("no history")

// Point is one calibration.
type Point struct {
	Time      float64 // years from an origin common to all
	Deviation float64 // µm, what the instrument showed too much
	U         float64 // µm, standard uncertainty, over 0
}

// Line is a straight line through points weighted by 1/u².
type Line struct {
	Intercept, Slope float64 // µm at time 0, µm per year
	// InterceptSD and SlopeSD rest on the scatter of the points about the line: the
	// regression's usual ones, in which only the ratios of the u count.
	InterceptSD, SlopeSD float64
	// ResidualSD is the root of the weighted mean square of residuals, in units of u:
	// 1 when the points scatter as their uncertainties say (Birge's ratio).
	ResidualSD float64
	R2         float64
	DoF        int
	// SlopeLow and SlopeHigh bound the slope at 95 % (Student's t); equal to Slope with
	// no degrees of freedom left, which DoF tells.
	SlopeLow, SlopeHigh float64
}

// Fit puts a weighted line through at least two points of two different times.
// Source: any text on regression; N. R. Draper and H. Smith, Applied Regression Analysis,
// chapters 1 and 9; R. T. Birge, Phys. Rev. 40 (1932) 207.
func Fit(points []Point) (Line, error) {
	if err := check(points); err != nil {
		return Line{}, err
	}
	var weight, meanT, meanY float64
	for _, p := range points {
		w := 1 / (p.U * p.U)
		weight += w
		meanT += w * (p.Time - points[0].Time)
		meanY += w * (p.Deviation - points[0].Deviation)
	}
	meanT, meanY = points[0].Time+meanT/weight, points[0].Deviation+meanY/weight
	var tt, ty, yy float64
	for _, p := range points {
		w, t, y := 1/(p.U*p.U), p.Time-meanT, p.Deviation-meanY
		tt, ty, yy = tt+w*t*t, ty+w*t*y, yy+w*y*y
	}
	if tt == 0 {
		return Line{}, fmt.Errorf("%w: a line needs calibrations at two times or more", ErrHistory)
	}
	l := Line{Slope: ty / tt, DoF: len(points) - 2, R2: 1}
	l.Intercept = meanY - l.Slope*meanT
	var left float64
	for _, p := range points {
		r := (p.Deviation - meanY - l.Slope*(p.Time-meanT)) / p.U
		left += r * r
	}
	if yy > 0 {
		l.R2 = math.Max(0, 1-left/yy)
	}
	l.SlopeLow, l.SlopeHigh = l.Slope, l.Slope
	if l.DoF > 0 {
		l.ResidualSD = math.Sqrt(left / float64(l.DoF))
		l.SlopeSD = l.ResidualSD / math.Sqrt(tt)
		l.InterceptSD = l.ResidualSD * math.Sqrt(1/weight+meanT*meanT/tt)
		k := distuv.StudentsT{Sigma: 1, Nu: float64(l.DoF)}.Quantile(0.975)
		l.SlopeLow, l.SlopeHigh = l.Slope-k*l.SlopeSD, l.Slope+k*l.SlopeSD
	}
	return l, nil
}

// mostPoints keeps an answer within milliseconds.
const mostPoints = 1000

func check(points []Point) error {
	if len(points) == 0 || len(points) > mostPoints {
		return fmt.Errorf("%w: %d calibrations; give from one to %d", ErrHistory, len(points), mostPoints)
	}
	for i, p := range points {
		switch {
		case !(math.Abs(p.Time) <= 1e4):
			return fmt.Errorf("%w: calibration %d was made in year %v", ErrHistory, i+1, p.Time)
		case !(math.Abs(p.Deviation) <= 1e7):
			return fmt.Errorf("%w: calibration %d found a deviation of %v µm; is the unit right?", ErrHistory, i+1, p.Deviation)
		case !(p.U >= 1e-6 && p.U <= 1e7):
			return fmt.Errorf("%w: calibration %d has a standard uncertainty of %v µm; it must be over 0", ErrHistory, i+1, p.U)
		}
	}
	return nil
}
