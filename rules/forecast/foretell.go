package forecast

import (
	"math"
	"sort"

	"ashlamp/rules/steam"
	"ashlamp/rules/track"
)

// misfit is what the model itself may be wrong by beside what the belief knows: the
// belief's own spread counts this many times, and to it are added a part of the
// remaining time, and seconds.
type misfit struct{ times, part, seconds float64 }

// way is how a boiler stands to a forecast.
type way uint8

const (
	wet way = iota
	runs
	dry
)

// Targets returns the targets that an estimator foretells, in order.
func Targets() []Target {
	return []Target{SteamToMove, PressureZero, BelowBoiling, FireboxCool, House}
}

// Forecasts returns what is expected at a moment: each target as it stands, and, where
// the boiler is still to be blown down, as it would be if the cocks were opened now.
func (e *Estimator) Forecasts(now track.Instant, l Limits) []Forecast {
	if e.win.n > 0 && now.Sub(e.at) > 2*stepS {
		e.move() // samples come seldom: none is left waiting for the next
	}
	out := e.foretell(now, l, AsIs)
	if l.CanEmpty && e.stands.FireOut && !e.stands.Empty && !e.stands.Running {
		out = append(out, e.foretell(now, l, BlownDown)...)
	}
	return out
}

// widest is the standard deviation of the logarithm of the remaining time from which a
// time is no longer told: an interval from a fifth to five times of it (common practice).
const widest = 1.25

// reached says that a target is come to already.
var reached = map[Target]string{
	SteamToMove: "Too little to move already.", PressureZero: "Inside its zero band already.",
	BelowBoiling: "Below boiling already.", FireboxCool: "Under its limit already.", House: "Under their limits already.",
}

// why says why nothing is foretold; empty where something is. In few words: on a phone
// they stand in a strip as wide as a thumb.
func (e *Estimator) why(now track.Instant) string {
	switch {
	case !e.stands.FireOut:
		return "No forecast: fire not known out."
	case !e.begun:
		return "No forecast yet: watching."
	case now.Sub(e.at) > silentS:
		return "No forecast: nothing heard."
	case e.stands.Running:
	case now.Sub(e.since) < watchedS:
		return "No forecast yet: just changed."
	case now.Sub(e.worked) < workedS:
		return "No forecast: in use just now."
	}
	return ""
}

// What is read of, each by channels of its own.
const (
	ofPressure = iota
	ofShell
	ofFirebox
	ofSmokebox
	bodies
)

var bodyNames = [bodies]string{"pressure", "shell", "firebox", "smokebox"}

// silentS is how long, in seconds, what a target rests on may be silent: the model goes
// on without it, and nobody would see that it went astray.
const silentS = 15 * 60

// unheard names what a target rests on and was not heard of late; empty for nothing.
func (e *Estimator) unheard(now track.Instant, t Target, l Limits) string {
	needs := []int{ofPressure}
	switch t {
	case BelowBoiling:
		needs = []int{ofShell}
	case FireboxCool:
		needs = []int{ofFirebox}
	case House:
		needs = []int{ofPressure, ofFirebox, ofSmokebox}
		if l.HouseShell {
			needs = append(needs, ofShell)
		}
	}
	for _, b := range needs {
		if e.heard[b] == 0 || now.Sub(e.heard[b]) > silentS {
			return bodyNames[b]
		}
	}
	return ""
}

func (e *Estimator) foretell(now track.Instant, l Limits, assuming Assumption) []Forecast {
	out := make([]Forecast, 0, 5)
	e.limits = l
	why := e.why(now)
	if why != "" {
		for _, t := range Targets() {
			out = append(out, Forecast{Target: t, Assuming: assuming, Text: why})
		}
		return out
	}
	x := e.b.mean
	m := marks{move: math.NaN(), zero: math.NaN(), housePa: math.NaN(), shell: l.ShellC, firebox: l.FireboxC, smokebox: l.SmokeboxC}
	empties := assuming == BlownDown || e.stands.Running
	w := wet
	switch {
	case empties:
		w = runs
	case e.stands.Empty:
		w = dry
	}
	if !e.stands.Empty && !empties {
		m.shell -= e.hotOver.k
		m.move, m.zero, m.housePa = boils(l.MovePa+l.AirPa), boils(l.ZeroPa+l.AirPa), boils(l.HousePa+l.AirPa)
	}
	from := e.at
	central, spread := e.run(x, from, l, &m, empties)
	zeroNow := e.stands.Empty && !math.IsNaN(e.gauge) && math.Abs(e.gauge) <= l.ZeroPa
	get := func(t Target, k *times) (float64, bool) {
		switch t {
		case SteamToMove:
			return k.move, e.stands.Empty
		case PressureZero:
			if e.stands.Empty && !empties {
				return math.NaN(), zeroNow
			}
			return k.zero, false
		case BelowBoiling:
			return k.shell, false
		case FireboxCool:
			return k.firebox, false
		}
		s := math.Max(k.firebox, k.smokebox)
		if !zeroNow {
			if !math.IsNaN(l.HousePa) {
				s = math.Max(s, k.housePa)
			} else {
				s = math.Max(s, k.zero)
			}
		}
		if l.HouseShell {
			s = math.Max(s, k.shell)
		}
		return s, false
	}
	for _, t := range Targets() {
		f := Forecast{Target: t, Assuming: assuming}
		s, done := get(t, &central)
		switch silent := e.unheard(now, t, l); {
		case silent != "":
			f.Text = "No forecast: " + silent + " not heard."
		case done && t == SteamToMove:
			f.Text = "The boiler is empty."
		case done || s == 0:
			f.Text = reached[t]
		case t == SteamToMove && empties:
			f.Text = "The water is run out."
		case math.IsNaN(s):
			f.Text = "Not within three days."
		default:
			logs := make([]float64, 0, draws)
			for k := range spread {
				v, _ := get(t, &spread[k])
				switch {
				case math.IsNaN(v):
					v = AheadS
				case v < 1:
					v = 1
				}
				logs = append(logs, math.Log(v))
			}
			sort.Float64s(logs)
			sd := (quantile(logs, 0.9) - quantile(logs, 0.1)) / (2 * Q90)
			sd *= math.Sqrt(math.Max(1, e.strain))
			mf := misfits[w][t]
			wide := math.Sqrt(sq(mf.times*sd) + sq(mf.part) + sq(mf.seconds/s))
			if !(wide < widest) {
				f.Text = "Too little known yet."
				break
			}
			f.Spread, f.way = sd, w
			if assuming == AsIs {
				e.made[t].note(from, s)
			}
			s *= math.Exp(e.learned.Amiss[lessonKey(w, t)].at(s))
			f.ETA = max(now, from.Add(s))
			f.Lo = max(now, from.Add(s*math.Exp(-Q90*wide)))
			f.Hi = max(now, from.Add(s*math.Exp(Q90*wide)))
		}
		out = append(out, f)
	}
	return out
}

func quantile(sorted []float64, p float64) float64 {
	x := p * float64(len(sorted)-1)
	i := int(x)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (sorted[i+1]-sorted[i])*(x-float64(i))
}

// boils returns the temperature in °C at which water boils under an absolute pressure;
// NaN where it is none.
func boils(pa float64) float64 {
	t, err := steam.SaturationTemperature(pa)
	if err != nil {
		return math.NaN()
	}
	return t
}

// run follows the mean and the draws of the belief.
func (e *Estimator) run(x vector, now track.Instant, l Limits, m *marks, runs bool) (central times, spread [draws]times) {
	h := e.held()
	h.empty = h.empty || runs
	central = e.one(x, now, l, m, h, runs, 0, 0)
	if !e.b.factorise() {
		for k := range spread {
			spread[k].none()
		}
		return central, spread
	}
	for k := range spread {
		y := x
		z := &deviates[k]
		for j := range size {
			for i := j; i < size; i++ {
				y[i] += e.b.root.At(i, j) * z[j]
			}
		}
		spread[k] = e.one(y, now, l, m, h, runs, z[size], z[size+1])
	}
	return central, spread
}

// afterC is how hot the metal is left by a blow-down, as a part of what the water was
// over boiling at the air's pressure before (common practice of simulated engines).
const afterC = 0.6

func (e *Estimator) one(x vector, now track.Instant, l Limits, m *marks, h held, runs bool, dWater, dPass float64) times {
	if !runs {
		return x.follow(h, &e.day, now, m, 0)
	}
	t := e.emptying.left(x[iShell], l.AirPa, dWater, dPass)
	boiling := boils(l.AirPa)
	if x[iShell] > boiling {
		x[iShell] = boiling + afterC*(x[iShell]-boiling)
	}
	if x[iPlates] > boiling {
		x[iPlates] = boiling + afterC*(x[iPlates]-boiling)
	}
	out := x.follow(h, &e.day, now, m, t)
	out.zero, out.housePa, out.move = t, t, math.NaN()
	out.shell += t
	out.firebox += t
	out.smokebox += t
	return out
}

// learnS is how long, in seconds, an engine must have been watched undisturbed with its
// water, and without, for that to teach anything (common practice).
var learnS = [2]float64{2 * 3600, 1800}

// workedS is for how long after something else happened nothing is foretold, s.
const workedS = 150

// Learned returns what is believed of the engine after this evening: the prior of the
// next. An evening of which nothing was seen teaches nothing.
func (e *Estimator) Learned() Learned {
	if !e.begun {
		return e.taught
	}
	l := e.lessons
	n := size - temperatures
	before := l
	l.Mean, l.Covariance = make([]float64, n), make([]float64, n*n)
	first := unseen(e.engine.VolumeL)
	for i := range n {
		l.Mean[i] = e.b.mean[i+temperatures]
		for j := range n {
			l.Covariance[i*n+j] = e.b.cov.At(i+temperatures, j+temperatures)
		}
		p := first[i+temperatures]
		// What differs from evening to evening is not known beforehand.
		l.Covariance[i*n+i] += sq(p.evening)
	}
	again := func(place int, mean, variance float64) {
		i := place - temperatures
		for j := range n {
			l.Covariance[i*n+j], l.Covariance[j*n+i] = 0, 0
		}
		l.Mean[i], l.Covariance[i*n+i] = mean, variance
	}
	again(iAir, first[iAir].mean, sq(first[iAir].sd))
	// What was not watched for long enough is as it was before.
	for k, places := range [2][]int{{iLnWet}, {iLnDry, iLnAlong, iLnEmpty, iMixed}} {
		if e.quiet[k] >= learnS[k] {
			continue
		}
		for _, p := range places {
			i := p - temperatures
			again(p, before.Mean[i], before.Covariance[i*n+i])
		}
	}
	l.Emptying, l.EmptyingVariance = e.emptying.lnPass, e.emptying.vPass+sq(0.03)
	l.Evenings++
	return l
}
