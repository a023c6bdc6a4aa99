package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// sign is 1, 0 or -1.
func sign(v float64) float64 {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

// median returns the median of values, which it sorts; NaN of none.
func median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// finite reports whether all values are numbers.
func finite(values []float64) bool {
	return !slices.ContainsFunc(values, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

// ChangePoint is the outcome of [Pettitt].
type ChangePoint struct {
	// After is how many values stand before the change.
	After int
	// K is the largest of the statistics |U|, P the probability that it is so large
	// where nothing changed.
	K, P float64
}

// Pettitt looks for one change of level in a series in order of time, whatever its
// distribution: A. N. Pettitt, Applied Statistics 28 (1979) 126-135, with its
// approximation p = 2 exp(-6 K²/(n³+n²)), which is good to two digits below 0.5. Of equal
// statistics the first counts. It takes the values to be independent of each other.
// False where there are fewer than two values, or one that is no number.
func Pettitt(x []float64) (ChangePoint, bool) {
	n := len(x)
	if n < 2 || !finite(x) {
		return ChangePoint{}, false
	}
	var c ChangePoint
	u := 0.0
	for t := range n - 1 {
		// U(t) = U(t-1) + the sum of sgn(x(t) - x(j)) over all j.
		for _, v := range x {
			u += sign(x[t] - v)
		}
		if k := math.Abs(u); k > c.K {
			c.After, c.K = t+1, k
		}
	}
	f := float64(n)
	c.P = math.Min(1, 2*math.Exp(-6*c.K*c.K/(f*f*f+f*f)))
	return c, true
}

// Estimate is a figure with its 95 % interval; Lo and Hi are NaN where there are too few
// values for one.
type Estimate struct{ Value, Lo, Hi float64 }

// z975 is the 0.975 quantile of the standard normal distribution.
var z975 = distuv.UnitNormal.Quantile(0.975)

// Shift returns by how much b lies above a: the median of all differences, and the
// interval between those of the ranks that the Mann-Whitney statistic leaves at 95 % by
// its normal approximation (J. L. Hodges and E. L. Lehmann, Annals of Mathematical
// Statistics 34 (1963) 598-611; the ranks after M. Hollander and D. A. Wolfe,
// Nonparametric Statistical Methods, from memory). NaN throughout where either is empty.
func Shift(a, b []float64) Estimate {
	d := make([]float64, 0, len(a)*len(b))
	for _, x := range a {
		for _, y := range b {
			d = append(d, y-x)
		}
	}
	e := Estimate{median(d), math.NaN(), math.NaN()}
	m, n := float64(len(a)), float64(len(b))
	if c := int(math.Floor(m*n/2 - z975*math.Sqrt(m*n*(m+n+1)/12))); c >= 1 {
		e.Lo, e.Hi = d[c-1], d[len(d)-c]
	}
	return e
}

// Drift is the outcome of [MannKendall].
type Drift struct {
	// S is the statistic, Variance its variance where there is no drift, Z the normal
	// score, P the probability of one so far from zero to either side.
	S, Variance, Z, P float64
}

// MannKendall looks for a drift in one direction in a series in order of time, whatever
// its distribution: H. B. Mann, Econometrica 13 (1945) 245-259; M. G. Kendall, Rank
// Correlation Methods (1975), with its correction for ties, from memory. It takes the
// values to be independent of each other. False where there are fewer than three values,
// one that is no number, or where all are equal.
func MannKendall(x []float64) (Drift, bool) {
	n := len(x)
	if n < 3 || !finite(x) {
		return Drift{}, false
	}
	var d Drift
	for i := range n {
		for j := i + 1; j < n; j++ {
			d.S += sign(x[j] - x[i])
		}
	}
	f := float64(n)
	d.Variance = f * (f - 1) * (2*f + 5)
	sorted := slices.Sorted(slices.Values(x))
	for i := 0; i < n; {
		j := i
		for j < n && sorted[j] == sorted[i] {
			j++
		}
		t := float64(j - i)
		d.Variance -= t * (t - 1) * (2*t + 5)
		i = j
	}
	d.Variance /= 18
	if !(d.Variance > 0) {
		return Drift{}, false
	}
	d.Z = (d.S - sign(d.S)) / math.Sqrt(d.Variance)
	d.P = 2 * distuv.UnitNormal.Survival(math.Abs(d.Z))
	return d, true
}

// TheilSen returns the median of the slopes between all pairs at different times, and
// its 95 % interval by the ranks that the variance of the Mann-Kendall statistic leaves:
// P. K. Sen, Journal of the American Statistical Association 63 (1968) 1379-1389. NaN
// throughout where no two times differ.
func TheilSen(t, x []float64, variance float64) Estimate {
	var s []float64
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if t[j] != t[i] {
				s = append(s, (x[j]-x[i])/(t[j]-t[i]))
			}
		}
	}
	e := Estimate{median(s), math.NaN(), math.NaN()}
	c := z975 * math.Sqrt(variance)
	lo, hi := int(math.Round((float64(len(s))-c)/2))-1, int(math.Round((float64(len(s))+c)/2))
	if lo >= 0 && hi < len(s) {
		e.Lo, e.Hi = s[lo], s[hi]
	}
	return e
}
