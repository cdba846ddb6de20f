//go:build !race

package wornsize

import "testing"

// What an estimate allocates must not depend on its mesh: the same readings on
// a mesh several times as fine.
func TestAllocationsDoNotGrowWithTheMesh(t *testing.T) {
	count := func(u float64, directed bool) (allocations float64, nodes int) {
		f := garageReadings(directed, -1)
		for i := range f.Readings {
			f.Readings[i].U = u
		}
		set := one(f)
		estimateOrFail(t, set)
		return testing.AllocsPerRun(10, func() { estimateOrFail(t, set) }), len(estimateOrFail(t, set).Features[0].Passing.X)
	}
	for _, directed := range []bool{false, true} {
		coarse, few := count(8, directed)
		fine, many := count(3, directed)
		t.Logf("%.0f allocations for %d nodes, %.0f for %d", coarse, few, fine, many)
		if fine > 1.3*coarse+20 {
			t.Errorf("%.0f allocations on a fine mesh, %.0f on a coarse one", fine, coarse)
		}
	}
}
