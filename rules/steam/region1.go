package steam

import "math"

// term is one term n·x^i·y^j of a dimensionless Gibbs free energy. The
// exponents are kept as numbers too, since every derivative multiplies by them.
type term struct {
	i, j   uint8 // places in the tables of powers
	fi, fj float64
	n      float64
}

const (
	region1Pressure    = 16.53e6 // Pa, reducing pressure, IAPWS R7-97 section 5
	region1Temperature = 1386    // K, reducing temperature
	region1Shift       = 41      // table 2 has powers of the temperature from -41 up
)

// region1 holds table 2 of IAPWS R7-97(2012): γ = Σ n (7.1-π)^i (τ-1.222)^j.
var region1 = [34]term{
	t1(0, -2, 0.14632971213167), t1(0, -1, -0.84548187169114),
	t1(0, 0, -0.37563603672040e1), t1(0, 1, 0.33855169168385e1),
	t1(0, 2, -0.95791963387872), t1(0, 3, 0.15772038513228),
	t1(0, 4, -0.16616417199501e-1), t1(0, 5, 0.81214629983568e-3),
	t1(1, -9, 0.28319080123804e-3), t1(1, -7, -0.60706301565874e-3),
	t1(1, -1, -0.18990068218419e-1), t1(1, 0, -0.32529748770505e-1),
	t1(1, 1, -0.21841717175414e-1), t1(1, 3, -0.52838357969930e-4),
	t1(2, -3, -0.47184321073267e-3), t1(2, 0, -0.30001780793026e-3),
	t1(2, 1, 0.47661393906987e-4), t1(2, 3, -0.44141845330846e-5),
	t1(2, 17, -0.72694996297594e-15),
	t1(3, -4, -0.31679644845054e-4), t1(3, 0, -0.28270797985312e-5),
	t1(3, 6, -0.85205128120103e-9),
	t1(4, -5, -0.22425281908000e-5), t1(4, -2, -0.65171222895601e-6),
	t1(4, 10, -0.14341729937924e-12),
	t1(5, -8, -0.40516996860117e-6),
	t1(8, -11, -0.12734301741641e-8), t1(8, -6, -0.17424871230634e-9),
	t1(21, -29, -0.68762131295531e-18), t1(23, -31, 0.14478307828521e-19),
	t1(29, -38, 0.26335781662795e-22), t1(30, -39, -0.11947622640071e-22),
	t1(31, -40, 0.18228094581404e-23), t1(32, -41, -0.93537087292458e-25),
}

func t1(i, j int, n float64) term {
	return term{i: uint8(i), j: uint8(j + region1Shift), fi: float64(i), fj: float64(j), n: n}
}

// liquid evaluates region 1 at p in Pa and t in K, without a check of the range.
func liquid(p, t float64) Properties {
	pi := p / region1Pressure
	tau := region1Temperature / t
	x := 7.1 - pi
	y := tau - 1.222
	z := 1 / y

	var px [33]float64
	x2 := x * x
	x3 := x2 * x
	x4 := x2 * x2
	x8 := x4 * x4
	x16 := x8 * x8
	px[0], px[1], px[2], px[3], px[4], px[5], px[8] = 1, x, x2, x3, x4, x4*x, x8
	px[21] = x16 * px[5]
	px[23] = px[21] * x2
	px[29] = px[21] * x8
	px[30] = px[29] * x
	px[31] = px[30] * x
	px[32] = x16 * x16

	var py [59]float64
	const o = region1Shift
	y2 := y * y
	y3 := y2 * y
	y4 := y2 * y2
	y6 := y3 * y3
	py[o], py[o+1], py[o+2], py[o+3], py[o+4], py[o+5], py[o+6] = 1, y, y2, y3, y4, y4*y, y6
	py[o+10] = y6 * y4
	py[o+17] = py[o+10] * y6 * y
	z2 := z * z
	z3 := z2 * z
	z4 := z2 * z2
	z7 := z4 * z3
	z8 := z4 * z4
	z9 := z8 * z
	z11 := z8 * z3
	z29 := z9 * z9 * z11
	z38 := z29 * z9
	py[o-1], py[o-2], py[o-3], py[o-4], py[o-5], py[o-6] = z, z2, z3, z4, z4*z, z3*z3
	py[o-7], py[o-8], py[o-9], py[o-11], py[o-29], py[o-31] = z7, z8, z9, z11, z29, z29*z2
	py[o-38], py[o-39], py[o-40], py[o-41] = z38, z38*z, z38*z2, z38*z3

	var g, gx, gxx, gy, gyy, gxy float64
	for k := range region1 {
		c := &region1[k]
		a := c.n * px[c.i] * py[c.j]
		ai := a * c.fi
		aj := a * c.fj
		g += a
		gx += ai
		gxx += ai * (c.fi - 1)
		gy += aj
		gyy += aj * (c.fj - 1)
		gxy += ai * c.fj
	}
	// The sums hold x·∂γ/∂x and so on; x falls as the pressure rises.
	w := 1 / x
	gp := -gx * w
	gpp := gxx * w * w
	gt := gy * z
	gtt := gyy * z2
	gpt := -gxy * w * z

	// Table 3.
	rt := GasConstant * t
	d := gp - tau*gpt
	return Properties{
		Volume:         rt * pi * gp / p,
		InternalEnergy: rt * (tau*gt - pi*gp),
		Enthalpy:       rt * tau * gt,
		Entropy:        GasConstant * (tau*gt - g),
		HeatCapacity:   -GasConstant * tau * tau * gtt,
		SoundSpeed:     math.Sqrt(rt * gp * gp / (d*d/(tau*tau*gtt) - gpp)),
	}
}
