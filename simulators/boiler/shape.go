package boiler

import "math"

// shape turns liquid volume into height: a horizontal cylinder of which a bank
// of tubes takes part of the lower cross-section.
type shape struct {
	diameter float64
	// height at equal steps of liquid fraction, as a fraction of the diameter.
	height [257]float64
}

// The tube bank spans these heights of the diameter and takes this share of the
// width there (common practice for a small locomotive boiler, no source).
const (
	tubesFrom  = 0.12
	tubesTo    = 0.60
	tubesShare = 0.45
)

func newShape(diameter float64) *shape {
	const n = 4000
	var area [n + 1]float64
	for i := 1; i <= n; i++ {
		y := (float64(i) - 0.5) / n
		w := 2 * math.Sqrt(y*(1-y))
		if y > tubesFrom && y < tubesTo {
			w *= 1 - tubesShare
		}
		area[i] = area[i-1] + w/n
	}
	s := &shape{diameter: diameter}
	j := 0
	for k := range s.height {
		want := area[n] * float64(k) / float64(len(s.height)-1)
		for j < n && area[j+1] < want {
			j++
		}
		f := 0.0
		if j < n && area[j+1] > area[j] {
			f = math.Max(0, (want-area[j])/(area[j+1]-area[j]))
		}
		s.height[k] = math.Min(1, (float64(j)+f)/n)
	}
	s.height[0] = 0
	return s
}

// of returns the height of the liquid as a fraction of the diameter, for the
// share of the whole volume that is liquid. Shares outside 0..1 are the ends:
// no liquid, or a vessel brim full.
func (s *shape) of(share float64) float64 {
	x := share * float64(len(s.height)-1)
	if !(x > 0) {
		return 0
	}
	i := min(int(x), len(s.height)-2)
	f := math.Min(1, x-float64(i))
	return s.height[i] + f*(s.height[i+1]-s.height[i])
}

// share is the inverse of of, by bisection.
func (s *shape) share(height float64) float64 {
	lo, hi := 0.0, 1.0
	for range 50 {
		m := (lo + hi) / 2
		if s.of(m) < height {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}
