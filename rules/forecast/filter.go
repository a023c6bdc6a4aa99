package forecast

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// belief is a mean and a covariance of the state, moved on by the cubature Kalman
// filter (I. Arasaratnam and S. Haykin, Cubature Kalman filters, IEEE Transactions on
// Automatic Control 54 (2009) 1254-1269): twice as many points as there are places, at
// the root of their number times the standard deviation, all of one weight, so that the
// covariance stays one. It is preferred to a linearised filter since the exchange by
// radiation and the products of what is not known bend the state, and to particles since
// fifteen places would need thousands of them on a board that has none to spare.
type belief struct {
	mean vector
	cov  *mat.SymDense

	chol   mat.Cholesky
	root   mat.TriDense
	points [2 * size]vector
}

func newBelief() *belief {
	return &belief{cov: mat.NewSymDense(size, nil)}
}

// factorise sets root to the lower Cholesky factor of the covariance. Rounding may have
// left it a hair from positive; the diagonal is then raised by as little.
func (b *belief) factorise() bool {
	for k, lift := 0, 1e-9; k < 8; k, lift = k+1, lift*30 {
		if b.chol.Factorize(b.cov) {
			b.chol.LTo(&b.root)
			return true
		}
		for i := range size {
			v := b.cov.At(i, i)
			b.cov.SetSym(i, i, v+lift*(math.Abs(v)+1e-9))
		}
	}
	return false
}

// predict moves the belief on by dt seconds.
func (b *belief) predict(h *held, dt float64, noise *vector) {
	if !b.factorise() {
		return
	}
	spread := math.Sqrt(size)
	for k := range size {
		p, m := &b.points[2*k], &b.points[2*k+1]
		*p, *m = b.mean, b.mean
		for i := k; i < size; i++ {
			d := spread * b.root.At(i, k)
			p[i] += d
			m[i] -= d
		}
		r := p.rates()
		p.step(h, &r, dt)
		r = m.rates()
		m.step(h, &r, dt)
	}
	var mean vector
	for k := range b.points {
		for i := range size {
			mean[i] += b.points[k][i]
		}
	}
	for i := range size {
		mean[i] /= 2 * size
	}
	b.mean = mean
	for k := range b.points {
		for i := range size {
			b.points[k][i] -= mean[i]
		}
	}
	for i := range size {
		for j := i; j < size; j++ {
			sum := 0.0
			for k := range b.points {
				sum += b.points[k][i] * b.points[k][j]
			}
			sum /= 2 * size
			if i == j {
				sum += noise[i] * noise[i] * dt
			}
			b.cov.SetSym(i, j, sum)
		}
	}
}

// outlying is by how many standard deviations a reading may lie off what was expected
// before something else is taken to have happened to the engine: steam used, water put
// in, a door opened.
const outlying = 3.5

// observe takes a reading z with standard deviation sd of what is expected to be read,
// want, whose slopes by the state are h. A reading far off moves the temperature at
// place moved and leaves alone what the engine is like, unless it is to be believed all
// the same; other is then true. nis is the square of how far it lay off over what was
// expected of it (normalised innovation squared): 1 on average while the model fits.
func (b *belief) observe(z, want, sd float64, h *vector, moved int, believe bool) (nis float64, other bool) {
	var ph vector
	variance := sd * sd
	for i := range size {
		for j := range size {
			if h[j] != 0 {
				ph[i] += b.cov.At(i, j) * h[j]
			}
		}
		variance += h[i] * ph[i]
	}
	off := z - want
	nis = off * off / variance
	other = nis > outlying*outlying && h[moved] != 0
	if other && !believe {
		// As much as makes it likely.
		lift := (off*off - variance) / (h[moved] * h[moved])
		b.cov.SetSym(moved, moved, b.cov.At(moved, moved)+lift)
		ph[moved] += lift * h[moved]
		variance += h[moved] * h[moved] * lift
	}
	b.take(off, variance, &ph)
	return nis, other
}

// take moves the belief by what a reading lies off, of a variance, connected with the
// state as ph.
func (b *belief) take(off, variance float64, ph *vector) {
	for i := range size {
		b.mean[i] += ph[i] / variance * off
	}
	for i := range size {
		for j := i; j < size; j++ {
			b.cov.SetSym(i, j, b.cov.At(i, j)-ph[i]*ph[j]/variance)
		}
	}
}

// set gives a place a new mean and standard deviation, unconnected with the others.
func (b *belief) set(i int, mean, sd float64) {
	b.mean[i] = mean
	for j := range size {
		b.cov.SetSym(i, j, 0)
	}
	b.cov.SetSym(i, i, sd*sd)
}

// finite reports whether nothing was lost on the way.
func (b *belief) finite() bool {
	for i := range size {
		if math.IsNaN(b.mean[i]) || math.IsInf(b.mean[i], 0) || !(b.cov.At(i, i) > 0) {
			return false
		}
	}
	return true
}
