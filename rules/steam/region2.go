package steam

import "math"

const (
	region2Pressure    = 1e6 // Pa, reducing pressure, IAPWS R7-97 section 6
	region2Temperature = 540 // K, reducing temperature
)

// region2 holds table 11 of IAPWS R7-97(2012): γʳ = Σ n π^i (τ-0.5)^j.
var region2 = [43]term{
	t2(1, 0, -0.17731742473213e-2), t2(1, 1, -0.17834862292358e-1),
	t2(1, 2, -0.45996013696365e-1), t2(1, 3, -0.57581259083432e-1),
	t2(1, 6, -0.50325278727930e-1),
	t2(2, 1, -0.33032641670203e-4), t2(2, 2, -0.18948987516315e-3),
	t2(2, 4, -0.39392777243355e-2), t2(2, 7, -0.43797295650573e-1),
	t2(2, 36, -0.26674547914087e-4),
	t2(3, 0, 0.20481737692309e-7), t2(3, 1, 0.43870667284435e-6),
	t2(3, 3, -0.32277677238570e-4), t2(3, 6, -0.15033924542148e-2),
	t2(3, 35, -0.40668253562649e-1),
	t2(4, 1, -0.78847309559367e-9), t2(4, 2, 0.12790717852285e-7),
	t2(4, 3, 0.48225372718507e-6),
	t2(5, 7, 0.22922076337661e-5),
	t2(6, 3, -0.16714766451061e-10), t2(6, 16, -0.21171472321355e-2),
	t2(6, 35, -0.23895741934104e2),
	t2(7, 0, -0.59059564324270e-17), t2(7, 11, -0.12621808899101e-5),
	t2(7, 25, -0.38946842435739e-1),
	t2(8, 8, 0.11256211360459e-10), t2(8, 36, -0.82311340897998e1),
	t2(9, 13, 0.19809712802088e-7),
	t2(10, 4, 0.10406965210174e-18), t2(10, 10, -0.10234747095929e-12),
	t2(10, 14, -0.10018179379511e-8),
	t2(16, 29, -0.80882908646985e-10), t2(16, 50, 0.10693031879409),
	t2(18, 57, -0.33662250574171),
	t2(20, 20, 0.89185845355421e-24), t2(20, 35, 0.30629316876232e-12),
	t2(20, 48, -0.42002467698208e-5),
	t2(21, 21, -0.59056029685639e-25), t2(22, 53, 0.37826947613457e-5),
	t2(23, 39, -0.12768608934681e-14),
	t2(24, 26, 0.73087610595061e-28), t2(24, 40, 0.55414715350778e-16),
	t2(24, 58, -0.94369707241210e-6),
}

func t2(i, j int, n float64) term {
	return term{i: uint8(i), j: uint8(j), fi: float64(i), fj: float64(j), n: n}
}

// vapour evaluates region 2 at p in Pa and t in K, without a check of the range.
func vapour(p, t float64) Properties {
	pi := p / region2Pressure
	tau := region2Temperature / t
	y := tau - 0.5

	var px [25]float64
	p2 := pi * pi
	p3 := p2 * pi
	p4 := p2 * p2
	p6 := p3 * p3
	p8 := p4 * p4
	p16 := p8 * p8
	px[1], px[2], px[3], px[4], px[5], px[6], px[7] = pi, p2, p3, p4, p4*pi, p6, p4*p3
	px[8], px[9], px[10], px[16], px[18], px[20] = p8, p8*pi, p8*p2, p16, p16*p2, p16*p4
	px[21], px[22], px[23], px[24] = px[20]*pi, p16*p6, p16*px[7], p16*p8

	var py [59]float64
	y2 := y * y
	y3 := y2 * y
	y4 := y2 * y2
	y5 := y4 * y
	y6 := y3 * y3
	y7 := y4 * y3
	y8 := y4 * y4
	y10 := y5 * y5
	y11 := y8 * y3
	y14 := y7 * y7
	y15 := y8 * y7
	y21 := y10 * y11
	y25 := y14 * y11
	y35 := y21 * y14
	y50 := y25 * y25
	py[0], py[1], py[2], py[3], py[4], py[6], py[7], py[8] = 1, y, y2, y3, y4, y6, y7, y8
	py[10], py[11], py[13], py[14], py[16], py[20] = y10, y11, y10*y3, y14, y8*y8, y10*y10
	py[21], py[25], py[26], py[29] = y21, y25, y25*y, y15*y14
	py[35], py[36], py[39], py[40], py[48] = y35, y35*y, y35*y4, y25*y15, y25*y15*y8
	py[50], py[53], py[57], py[58] = y50, y50*y3, y50*y7, y50*y8

	var r, rp, rpp, rt, rtt, rpt float64
	for k := range region2 {
		c := &region2[k]
		a := c.n * px[c.i] * py[c.j]
		ai := a * c.fi
		aj := a * c.fj
		r += a
		rp += ai
		rpp += ai * (c.fi - 1)
		rt += aj
		rtt += aj * (c.fj - 1)
		rpt += ai * c.fj
	}
	// rp is π·∂γʳ/∂π, rpp is π²·∂²γʳ/∂π², rpt is π·∂²γʳ/∂π∂τ, as table 12 uses them.
	z := 1 / y
	rt *= z
	rtt *= z * z
	rpt *= z

	// Ideal-gas part, equation 16 and table 10, its five negative powers by
	// Horner's rule in 1/τ.
	const (
		n1 = -0.96927686500217e1
		n2 = 0.10086655968018e2
		n3 = -0.56087911283020e-2 // τ^-5
		n4 = 0.71452738081455e-1
		n5 = -0.40710498223928
		n6 = 0.14240819171444e1
		n7 = -0.43839511319450e1 // τ^-1
		n8 = -0.28408632460772
		n9 = 0.21268463753307e-1
	)
	u := 1 / tau
	o := math.Log(pi) + n1 + tau*(n2+tau*(n8+tau*n9)) + u*(n7+u*(n6+u*(n5+u*(n4+u*n3))))
	ot := n2 + tau*(2*n8+tau*3*n9) - u*u*(n7+u*(2*n6+u*(3*n5+u*(4*n4+u*5*n3))))
	ott := 2*n8 + tau*6*n9 + u*u*u*(2*n7+u*(6*n6+u*(12*n5+u*(20*n4+u*30*n3))))

	// Table 12.
	e := 1 + rp
	d := e - tau*rpt
	f := GasConstant * t
	gt := tau * (ot + rt)
	gtt := tau * tau * (ott + rtt)
	return Properties{
		Volume:         f * e / p,
		InternalEnergy: f * (gt - e),
		Enthalpy:       f * gt,
		Entropy:        GasConstant * (gt - o - r),
		HeatCapacity:   -GasConstant * gtt,
		SoundSpeed:     math.Sqrt(f * e * e / (1 - rpp + d*d/gtt)),
	}
}
