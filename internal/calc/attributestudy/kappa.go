package attributestudy

import "math"

// crossTable counts decisions of two raters: [first accepts][second accepts].
type crossTable [2][2]float64

// Kappa is Cohen's kappa with its standard error. Defined is false where both raters say one
// and the same throughout, so that agreement beyond chance has no meaning.
type Kappa struct {
	Value         float64 // -1 to 1
	StandardError float64
	Observed      float64 // share of decisions on which they agree
	Expected      float64 // by their totals alone
	Defined       bool
	Count         int // decisions compared
}

// crossed pairs the trials of two people on each part in their order.
func crossed(first, second [][]bool) crossTable {
	var t crossTable
	for j := range first {
		for k := range first[j] {
			t[which(first[j][k])][which(second[j][k])]++
		}
	}
	return t
}

func which(accepted bool) int {
	if accepted {
		return 1
	}
	return 0
}

// kappaOf is Cohen's kappa of a table, with the standard error of Fleiss, Cohen and
// Everitt (1969), formula 13.
func kappaOf(t crossTable) Kappa {
	n := t[0][0] + t[0][1] + t[1][0] + t[1][1]
	var row, column [2]float64
	var k Kappa
	for i := range t {
		for j := range t[i] {
			t[i][j] /= n
			row[i] += t[i][j]
			column[j] += t[i][j]
		}
	}
	k.Count = int(n)
	k.Observed = t[0][0] + t[1][1]
	k.Expected = row[0]*column[0] + row[1]*column[1]
	if k.Expected > 1-1e-12 {
		return k
	}
	k.Defined = true
	k.Value = (k.Observed - k.Expected) / (1 - k.Expected)
	var agree, differ float64
	for i := range t {
		for j := range t[i] {
			if i == j {
				agree += t[i][i] * square(1-(row[i]+column[i])*(1-k.Value))
			} else {
				differ += t[i][j] * square(column[i]+row[j])
			}
		}
	}
	variance := agree + square(1-k.Value)*differ - square(k.Value-k.Expected*(1-k.Value))
	k.StandardError = math.Sqrt(math.Max(0, variance)/n) / (1 - k.Expected)
	return k
}

func square(x float64) float64 { return x * x }
