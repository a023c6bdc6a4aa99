package layup

import (
	"math"

	"ashlamp/rules/moistair"
	"ashlamp/rules/track"
)

// Figures of drying. Common practice, no source.
const (
	// dryBinS is over how long vapour is averaged, dryBins how many such means are kept:
	// a day.
	dryBinS = 1800
	dryBins = 48
	// DryingNeedS is what must have been watched before a rate is told.
	DryingNeedS = 6 * 3600
	// DryingAheadS is the furthest ahead that an end is told: ten days.
	DryingAheadS = 10 * 24 * 3600
	// DryingFit is the part of the scatter that a straight line must explain.
	DryingFit = 0.5
)

// Drying follows the air in a barrel whose plugs are out, by its humidity at the
// steel. The zero value has seen nothing. Its memory is constant.
type Drying struct {
	bins  [dryBins]dryBin
	began track.Instant
	last  track.Instant
	rh    float64
}

type dryBin struct {
	index int64
	sum   float64
	n     int
}

// Progress is how far a barrel has dried.
type Progress struct {
	// AtSteel is the newest humidity at the steel, %RH, NaN where none is known;
	// Band its band.
	AtSteel float64
	Band    Dampness
	// PerHour is how fast it changes, %RH/h: negative while it dries. NaN where nothing
	// honest can be said.
	PerHour float64
	// End is when it would come to the limit if it went on so; zero where nothing honest
	// can be said. It is a plain extrapolation: the last of the water takes longer.
	End track.Instant
	// EndSD is the standard deviation of End in seconds, by the scatter about the line;
	// NaN where there is no end.
	EndSD float64
	// Why says why there is no end.
	Why string
}

// PlugsOut says that the plugs came out: drying begins.
func (d *Drying) PlugsOut(at track.Instant) { *d = Drying{began: at} }

// Add takes the air in the barrel beside the coldest metal. Air that is none is an
// error and changes nothing; what is older than the last counts in its place.
func (d *Drying) Add(at track.Instant, a Air) error {
	rh, err := moistair.HumidityAt(a.TemperatureC, a.HumidityPercent, a.MetalC)
	if err != nil {
		return err
	}
	if at < d.began {
		return nil
	}
	if at >= d.last {
		d.last, d.rh = at, rh
	}
	index := int64(at) / (dryBinS * 1e6)
	b := &d.bins[((index%dryBins)+dryBins)%dryBins]
	if index < b.index {
		return nil // a day late
	}
	if b.index != index {
		*b = dryBin{index: index}
	}
	b.sum += rh
	b.n++
	return nil
}

// At returns the progress at now towards a limit in %RH.
func (d *Drying) At(now track.Instant, limitRH float64) Progress {
	p := Progress{AtSteel: math.NaN(), PerHour: math.NaN(), EndSD: math.NaN()}
	if d.last == 0 || now.Sub(d.last) > GapS {
		p.Why = "no reading of the air in the barrel"
		return p
	}
	p.AtSteel, p.Band = d.rh, Band(d.rh)
	l := d.line(now)
	slope, level, fit, span := l.slope, l.level, l.fit, l.span
	if span < DryingNeedS {
		p.Why = "watched for too short a time"
		return p
	}
	p.PerHour = slope
	switch {
	case d.rh <= limitRH:
		p.Why = "it is there"
	case !(slope < 0):
		p.Why = "it is not drying"
	case fit < DryingFit:
		p.Why = "it goes up and down with the day, or scatters: no end can be told"
	default:
		s := (limitRH - level) / slope * 3600
		if !(s <= DryingAheadS) {
			p.Why = "at this rate it takes more than ten days"
			break
		}
		p.End = now.Add(math.Max(0, s))
		// By the law of propagation of uncertainty (JCGM 100 5.1.2), with level and slope
		// at the middle of what was watched independent of each other.
		ahead := s/3600 + span/7200
		p.EndSD = math.Hypot(l.sdMiddle, ahead*l.sdSlope) / -slope * 3600
	}
	return p
}

// line is a straight line through the means of the last day.
type line struct {
	slope, level float64 // %RH/h, and %RH at now
	fit          float64 // share of the scatter explained
	span         float64 // s
	sdSlope      float64 // standard deviations of the slope,
	sdMiddle     float64 // and of the level at the middle
}

// scattersTogether is how many neighbouring means scatter together: fewer are worth as
// one (common practice).
const scattersTogether = 4

// line fits it by least squares.
func (d *Drying) line(now track.Instant) line {
	var n, sx, sy, sxx, sxy, syy float64
	newest := int64(now) / (dryBinS * 1e6)
	first, last := math.Inf(1), math.Inf(-1)
	for i := range d.bins {
		b := &d.bins[i]
		if b.n == 0 || b.index <= newest-dryBins || b.index > newest {
			continue
		}
		mid := track.Instant((b.index*dryBinS + dryBinS/2) * 1e6)
		x, y := mid.Sub(now)/3600, b.sum/float64(b.n)
		n, sx, sy, sxx, sxy, syy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
		first, last = math.Min(first, x), math.Max(last, x)
	}
	if n < 3 {
		return line{slope: math.NaN(), level: math.NaN()}
	}
	dx, dy := sxx-sx*sx/n, syy-sy*sy/n
	l := line{slope: (sxy - sx*sy/n) / dx, span: (last-first)*3600 + dryBinS}
	l.level = sy/n - l.slope*sx/n
	left := math.Max(0, dy-l.slope*l.slope*dx)
	if dy > 0 {
		l.fit = l.slope * l.slope * dx / dy
	}
	variance := left / (n - 2) * scattersTogether
	l.sdSlope, l.sdMiddle = math.Sqrt(variance/dx), math.Sqrt(variance/n)
	return l
}
