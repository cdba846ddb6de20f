package wornsize

import (
	"math"
	"testing"
	"time"
)

// BenchmarkEightBoresAgainstMonteCarlo compares the estimate of eight bores with
// importance sampling of the same model to equal accuracy: 0.1 µm of the mean
// clean-up size and 10⁻³ of a probability of 0.9, each as a standard error. No
// error is shared, so that the sampling may take one bore after the other, which
// is the best that can be done for it; how many draws it would need follows from
// the effective sample that a part of them gave.
func BenchmarkEightBoresAgainstMonteCarlo(b *testing.B) {
	set := Set{}
	for k := range 8 {
		f := fourFeatures().Features[k%4]
		f.Readings = append([]Reading{}, f.Readings...)
		for i := range f.Readings {
			f.Readings[i].Common = -1
			f.Readings[i].Value += float64(k)
		}
		set.Features = append(set.Features, f)
	}
	var engine, sampling time.Duration
	for b.Loop() {
		begin := time.Now()
		posterior := estimateOrFail(b, set)
		engine += time.Since(begin)
		for f, feature := range posterior.Features {
			m := newBruteForce(Set{Features: set.Features[f : f+1]}, 1)
			const part = 20_000
			adapted := time.Now()
			p := m.adapt()
			sampling += time.Since(adapted) // once, however many draws follow
			begin := time.Now()
			s := m.final(p, part)
			took := time.Since(begin)
			sd := feature.CleanUp.SD()
			needed := math.Max(sd*sd/(0.1*0.1), 0.9*0.1/(1e-3*1e-3))
			sampling += time.Duration(float64(took) * needed / s.effective())
		}
	}
	b.ReportMetric(float64(sampling)/float64(engine), "times")
	b.ReportMetric(float64(engine.Milliseconds())/float64(b.N), "engine-ms")
}
