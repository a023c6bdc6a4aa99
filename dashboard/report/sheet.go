package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/steam"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// The evening as one sheet: all of it on one scale of time.
const (
	plotL = left + 34
	// plotR is where the end of the evening lies. The scale goes on to the margin: there
	// is room for a word.
	plotR      = right - 17
	leastH     = 26.0 // of the strip of pressure; it takes what room there is
	mostH      = 62.0
	stripH     = 15.0
	laneH      = 7.5
	barH       = 2.7
	boxW, boxH = 3.9, 3.2
	// farthest is how far to the right of its moment a number is drawn.
	farthest = 3 * boxW
	blockH   = 26.0 // of the title block
)

// x is where a moment lies.
func (p *paper) x(t time.Time) float64 {
	part := float64(t.Sub(p.e.Begun)) / float64(p.e.Until.Sub(p.e.Begun))
	return plotL + part*(plotR-plotL)
}

// draw draws all pages.
func (p *paper) draw() error {
	p.page()
	p.front()
	p.sheet()
	p.titleBlock()
	p.page()
	p.rest()
	return p.pdf.Error()
}

func (p *paper) front() {
	e := p.e
	p.font(bold, titleSize)
	p.text(left, p.y+7.5, bold, titleSize, p.fit(p.drawable("Disposal of "+e.Engine.Name), 118))
	p.textR(right, p.y+3.6, bold, bodySize+1.5, p.fitIn(e.Shed, bold, bodySize+1.5, width-122))
	p.textR(right, p.y+8.2, regular, bodySize+1, "Record "+e.ID)
	until := ", told up to " + p.clock(e.Until)
	if !e.Ended.IsZero() {
		until = " to " + p.clock(e.Ended)
	}
	p.text(left, p.y+13.6, regular, bodySize+1, fmt.Sprintf("%s, %s%s; times of %s", p.day(e.Begun), p.clock(e.Begun), until, p.zone()))
	p.rule(p.y+16, 0.5)
	p.y += 17.4
	lead, more := p.lead()
	size, lines := leadSize, 0
	for _, s := range lead {
		lines += len(p.wrap(bold, size, s, width))
	}
	if lines > 6 {
		size = bodySize + 1 // the sheet needs the room
	}
	for _, s := range lead {
		p.para(bold, size, s)
	}
	for _, s := range more {
		p.para(regular, bodySize+0.5, s)
	}
	p.y += 2.5
}

// lead says first what was not proven, then what else must be known at once.
func (p *paper) lead() (lead, more []string) {
	e := p.e
	if !e.Book.Unbroken {
		lead = append(lead, "The engine's book does not hold: "+sentence(e.Book.Broken))
	}
	if e.Ended.IsZero() {
		lead = append(lead, "This disposal was not over when the record was drawn up.")
	}
	ordered, proven := 0, 0
	var never, undone, late []string
	for _, s := range p.steps {
		_, ever := s.first()
		if !s.ordered {
			if !ever {
				never = append(never, s.Title)
			}
			continue
		}
		ordered++
		switch {
		case s.done.IsZero() && !ever:
			undone = append(undone, s.Title)
		case s.done.IsZero():
			more = append(more, s.Title+" was proven, and nothing tells that it was done.")
		case s.judged && s.stood.verdict == verdict.Proven:
			proven++
		case !s.judged:
			lead = append(lead, s.Title+" was done at "+p.clock(s.done)+" while nothing was judged.")
		default:
			why := ""
			if w := s.stood.wanting(); len(w) > 0 {
				why = " (" + short(strings.TrimRight(w[0], "."), 110) + ")"
			}
			if _, ok := s.before(s.done); ok {
				late = append(late, p.unproven(s)+why+".")
			} else {
				lead = append(lead, p.unproven(s)+why+".")
			}
		}
	}
	if len(undone) > 0 {
		lead = append(lead, "Never proven, and nothing tells that it was done: "+listed(undone)+".")
	}
	lead = append(lead, late...)
	// What leaves no room for the sheet is told in the tables.
	const most = 5
	if n := len(lead); n > most {
		lead = append(lead[:most], capital(count(n-most, "further step", "further steps"))+" done as not proven: see the tables.")
	}
	sum := ""
	switch {
	case ordered == 0:
		sum = "No step was judged."
	case proven == ordered:
		sum = "Nothing was done unproven: " + count(ordered, "step", "steps") + ", each proven when it was done."
	default:
		sum = fmt.Sprintf("Of %s, %s stood proven when done.", count(ordered, "step", "steps"), few(proven))
	}
	if len(never) > 0 {
		more = append(more, "Never proven, and not of this evening's order: "+listed(never)+".")
	}
	lead = append(lead, sum+" "+p.alarmLead())
	if e.HowBegun == disposal.Found {
		more = append(more, "Nobody said that it began: it was found by the fall of the firebox.")
	}
	switch e.HowEnded {
	case disposal.Superseded:
		more = append(more, "It ended as another disposal was begun; nobody said that the engine was housed.")
	case disposal.Lit:
		more = append(more, "It ended as a fire was said to be lit.")
	}
	if silent := p.silent(); len(silent) > 0 {
		more = append(more, "Configured as measured, and not heard: "+listed(silent)+".")
	}
	return lead, more
}

// unproven says of a step that was done as not proven how it stood, without a full stop.
func (p *paper) unproven(s step) string {
	if x, ok := s.before(s.done); ok {
		// Doing it may have taken the proof away: an open door cools what is measured.
		return fmt.Sprintf("%s was proven from %s to %s, and said to be done at %s as “%s”", s.Title, p.clock(x.from), p.clock(x.to), p.clock(s.done), said(s.stood.verdict))
	}
	return fmt.Sprintf("%s was not proven before it was done at %s: “%s”", s.Title, p.clock(s.done), said(s.stood.verdict))
}

func (p *paper) alarmLead() string {
	all := coursesOf(p.e)
	if len(all) == 0 {
		return "No alarm was raised."
	}
	var names []string
	unknown := 0
	for _, c := range all {
		if _, ok := c.acknowledged(); !ok {
			unknown++
		}
		if t := watchTitle(c.watch); !contains(names, t) {
			names = append(names, t)
		}
	}
	s := capital(count(len(all), "alarm was raised", "alarms were raised")) + ": " + listed(names)
	if unknown > 0 {
		s += "; " + few(unknown) + " never acknowledged"
	}
	return s + "."
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

// silent names the channels that are configured and gave no sample.
func (p *paper) silent() []string {
	heard := map[telemetry.Channel]bool{}
	for _, t := range p.e.Tallies {
		heard[t.Channel] = true
	}
	var out []string
	for _, id := range channels(p.e.Engine) {
		if !heard[id] {
			out = append(out, nameOf(id))
		}
	}
	return out
}

func (p *paper) sheet() {
	e := p.e
	p.y += 4
	axis := p.y
	p.rule(p.y, 0.4)
	p.y += 0.2
	from := p.y
	temperature := []strip{
		p.shellStrip(), p.fireStrip(),
	}
	if e.Engine.Declared(telemetry.BoilerLevel) || len(e.Series[telemetry.BoilerLevel]) > 0 {
		temperature = append(temperature, p.levelStrip())
	}
	rows := len(p.steps)
	alarms := coursesOf(e)
	if len(alarms) > 0 {
		rows++
	}
	below := float64(len(temperature))*stripH + float64(rows)*laneH
	h := math.Max(leastH, math.Min(mostH, bottom-blockH-10-below-from))
	end := from + h + below
	p.grid(axis, end)
	p.pressure(from, h)
	y := from + h
	for _, s := range temperature {
		p.strip(s, y)
		y += stripH
	}
	p.lanes(y)
	if len(alarms) > 0 {
		p.alarms(y+float64(len(p.steps))*laneH, alarms)
	}
	if !e.Ended.IsZero() {
		p.pdf.SetLineWidth(0.3)
		p.pdf.Line(plotR, axis, plotR, end)
	}
	p.y = end
	p.rule(p.y, 0.4)
	p.key(len(alarms) > 0)
}

// steps of the scale of time, the finest first.
var scales = []struct{ fine, label time.Duration }{
	{10 * time.Minute, 30 * time.Minute}, {30 * time.Minute, time.Hour}, {time.Hour, 3 * time.Hour},
	{3 * time.Hour, 12 * time.Hour}, {12 * time.Hour, 24 * time.Hour}, {24 * time.Hour, 7 * 24 * time.Hour},
	{7 * 24 * time.Hour, 28 * 24 * time.Hour},
}

// grid draws the scale of time over the whole sheet.
func (p *paper) grid(y, end float64) {
	e := p.e
	length := e.Until.Sub(e.Begun)
	scale := scales[len(scales)-1]
	for _, s := range scales {
		if length/s.label <= 11 {
			scale = s
			break
		}
	}
	if length < 20*time.Minute {
		scale.fine, scale.label = time.Minute, 5*time.Minute
	}
	// Whole by the clock of the shed, which may be off UTC by a quarter of an hour.
	_, offset := p.local(e.Begun).Zone()
	shift := time.Duration(offset) * time.Second
	first := e.Begun.Add(shift).Truncate(scale.fine).Add(-shift)
	lastLabel := -1e9
	for t := first; p.x(t) <= right; t = t.Add(scale.fine) {
		if t.Before(e.Begun) {
			continue
		}
		x := p.x(t)
		whole := t.Add(shift).Truncate(scale.label).Equal(t.Add(shift))
		shade, w := 0xdd, 0.1
		if whole {
			shade, w = 0xaa, 0.15
		}
		p.pdf.SetDrawColor(shade, shade, shade)
		p.pdf.SetLineWidth(w)
		p.pdf.Line(x, y, x, end)
		if !whole {
			continue
		}
		label := p.local(t).Format("15:04")
		if scale.label >= 24*time.Hour {
			label = p.local(t).Format("2 Jan")
		}
		style := regular
		switch l := p.local(t); {
		case l.Hour() == 0 && l.Minute() == 0 && scale.label < 24*time.Hour:
			style, label = bold, l.Format("2 Jan")
		case l.Minute() == 0 && scale.label < time.Hour:
			style = bold
		}
		if w := p.measure(style, noteSize, label); x-w/2 > lastLabel+1.5 && x+w/2 <= right {
			p.textC(x, y-1.3, style, noteSize, label)
			lastLabel = x + w/2
		}
	}
	p.pdf.SetDrawColor(0, 0, 0)
}

// soft is the axis of pressure: a root, softened at zero, with the sign kept, so that
// vacuum and the zero band are seen beside the working pressure. The same every evening.
func soft(bar float64) float64 {
	const s = 0.4
	return math.Copysign(math.Sqrt(math.Abs(bar)+s)-math.Sqrt(s), bar)
}

func (p *paper) gutter(y float64, name string, lines ...string) {
	p.text(left, y+3.6, bold, bodySize+0.5, p.fitIn(name, bold, bodySize+0.5, plotL-left-8))
	for i, l := range lines {
		p.text(left, y+3.6+float64(i+1)*3.1, regular, noteSize-0.5, p.fitIn(l, regular, noteSize-0.5, plotL-left-7))
	}
}

func (p *paper) fitIn(s, style string, size, w float64) string {
	p.font(style, size)
	return p.fit(p.drawable(s), w)
}

func (p *paper) pressure(y, h float64) {
	e := p.e
	high := math.Max(1, e.Engine.WorkingPressure*1.08)
	low := -0.6
	at := func(bar float64) float64 {
		return y + 1.5 + (soft(high)-soft(bar))/(soft(high)-soft(low))*(h-3)
	}
	band := p.zeroBand()
	zero := "zero band " + unknown
	if band > 0 {
		zero = fmt.Sprintf("zero band ±%s", figure(band, 2))
		p.pdf.SetFillColor(0xd8, 0xd8, 0xd8)
		p.pdf.Rect(plotL, at(band), right-plotL, at(-band)-at(band), "F")
		p.pdf.SetLineWidth(0.12)
		p.pdf.Line(plotL, at(band), right, at(band))
		p.pdf.Line(plotL, at(-band), right, at(-band))
	}
	lines := []string{"bar, gauge", zero}
	used := []float64{}
	label := func(bar float64, style string) bool {
		ly := at(bar)
		for _, x := range used {
			if math.Abs(x-ly) < 2.5 {
				return false
			}
		}
		used = append(used, ly)
		p.textR(plotL-1.2, ly+0.95, style, noteSize-0.5, trimmed(bar))
		return true
	}
	label(0, bold)
	limits := []struct {
		bar  float64
		text string
		up   bool
	}{
		{e.Engine.Limits.At(limit.BlowDownMax), "blow down below", true},
		{e.Engine.Limits.At(limit.BlowDownMin), "and above", false},
		{e.Engine.Limits.At(limit.MoveMin), "move above", false},
	}
	var drawn []float64
	for _, l := range limits {
		if l.bar > low && l.bar < high {
			// Of two closer than their hachures the first is drawn; the words tell of both.
			if y := at(l.bar); !slices.ContainsFunc(drawn, func(x float64) bool { return math.Abs(x-y) < 4 }) && label(l.bar, bold) {
				p.shore(y, l.up)
				drawn = append(drawn, y)
			}
			lines = append(lines, l.text+" "+trimmed(l.bar))
		}
	}
	for _, t := range []float64{1, 2, 4, 6, 8, 10, 12, 16, 20, 30, 40, -0.5} {
		if t < high {
			p.pdf.SetDrawColor(0xdd, 0xdd, 0xdd)
			p.pdf.SetLineWidth(0.1)
			p.pdf.Line(plotL, at(t), right, at(t))
			p.pdf.SetDrawColor(0, 0, 0)
			label(t, regular)
		}
	}
	p.gutter(y, "Boiler", lines...)
	p.curve(telemetry.BoilerPressure, y, h, 0.75, func(v float64) float64 { return at(p.gauge(v)) })
	p.endStrip(y + h)
}

// gauge turns a value of the pressure channel into bar, gauge: an instrument that
// measures against vacuum is taken over the evening's own barometer or, where there is
// none, over the standard atmosphere.
func (p *paper) gauge(v float64) float64 {
	if p.e.Engine.Channel(telemetry.BoilerPressure).Absolute {
		air, _ := p.air()
		v -= air
	}
	return v / 1e5
}

// air is the shed's air pressure that evening, Pa, and how it is known.
func (p *paper) air() (pa float64, how string) {
	sum, n := 0.0, 0
	for _, b := range p.e.Series[telemetry.AmbientPressure] {
		if b.Count > 0 {
			sum, n = sum+b.Mean, n+1
		}
	}
	standard, err := steam.StandardAtmosphere(p.e.Engine.Altitude)
	switch {
	case err != nil:
		standard = math.NaN()
	case n > 0 && math.Abs(sum/float64(n)-standard) <= 5000:
		return sum / float64(n), "by the barometer"
	}
	return standard - 4000, "by height alone"
}

// strip is one curve, or two, on a linear axis.
type strip struct {
	name   string
	notes  []string
	series []telemetry.Channel
	low    float64
	high   float64
	ticks  []float64
	// shores are the limits to be crossed downwards.
	shores []float64
}

func (p *paper) shellStrip() strip {
	s := strip{name: "Shell, °C", low: 0, high: 200, ticks: []float64{50, 100, 150}, series: p.e.Engine.Shell()}
	if len(s.series) == 0 {
		s.series = []telemetry.Channel{telemetry.ShellTop}
	}
	pa, how := p.air()
	if boils, err := steam.BoilingPoint(pa); err == nil {
		s.shores = []float64{boils}
		s.notes = append(s.notes, "boils at "+figure(boils, 1), how)
	}
	return s
}

func (p *paper) fireStrip() strip {
	s := strip{name: "Firebox, °C", low: 0, high: 500, ticks: []float64{200, 400}, series: []telemetry.Channel{telemetry.Firebox, telemetry.Smokebox}}
	k := limit.RestFirebox
	if p.e.layUp() == telemetry.Dry {
		k = limit.HouseFirebox
	}
	house := p.e.Engine.Limits.At(k)
	s.shores = []float64{house}
	s.notes = []string{"smokebox thin", "house at " + figure(house, 0)}
	return s
}

func (p *paper) levelStrip() strip {
	return strip{name: "Water level", low: 0, high: 1, ticks: []float64{0, 0.5, 1}, series: []telemetry.Channel{telemetry.BoilerLevel}, notes: []string{"of the glass"}}
}

func (p *paper) strip(s strip, y float64) {
	at := func(v float64) float64 { return y + 1.2 + (s.high-v)/(s.high-s.low)*(stripH-2.4) }
	for _, t := range s.ticks {
		p.pdf.SetDrawColor(0xdd, 0xdd, 0xdd)
		p.pdf.SetLineWidth(0.1)
		p.pdf.Line(plotL, at(t), right, at(t))
		p.pdf.SetDrawColor(0, 0, 0)
		p.textR(plotL-1.2, at(t)+0.9, regular, noteSize-0.8, strings.TrimPrefix(figure(t, places(t)), "+"))
	}
	for _, l := range s.shores {
		if l > s.low && l < s.high {
			p.shore(at(l), true)
		}
	}
	p.gutter(y, s.name, s.notes...)
	for i, ch := range s.series {
		w := 0.55
		if i > 0 {
			w = 0.25
		}
		if i > 0 && !p.e.Engine.Declared(ch) {
			continue
		}
		p.curve(ch, y, stripH, w, at)
	}
	p.endStrip(y + stripH)
}

func places(v float64) int {
	if v != math.Trunc(v) {
		return 1
	}
	return 0
}

func (p *paper) endStrip(y float64) {
	p.pdf.SetDrawColor(0x88, 0x88, 0x88)
	p.rule(y, 0.15)
	p.pdf.SetDrawColor(0, 0, 0)
}

// shore is a limit: a line with strokes on the side that is to be reached.
func (p *paper) shore(y float64, below bool) {
	p.pdf.SetLineWidth(0.3)
	p.pdf.Line(plotL, y, right, y)
	p.pdf.SetLineWidth(0.18)
	h := 0.9
	if !below {
		h = -h
	}
	for x := plotL + 0.8; x < right; x += 1.9 {
		p.pdf.Line(x, y, x-0.8, y+h)
	}
}

// curve draws a channel within its strip: the means of the buckets joined, the whole
// span of each bucket upright, and no line over a time without samples. What lies beyond
// the axis leaves the strip.
func (p *paper) curve(ch telemetry.Channel, y, h, w float64, at func(float64) float64) {
	buckets := p.e.Series[ch]
	gap := time.Duration(p.e.Engine.Fresh(ch) * float64(time.Second))
	if math.IsNaN(p.e.Engine.Fresh(ch)) || gap < time.Second {
		gap = time.Minute
	}
	drawn := false
	p.pdf.ClipRect(plotL, y+0.2, plotR-plotL, h-0.4, false)
	p.pdf.SetLineCapStyle("round")
	p.pdf.SetLineJoinStyle("round")
	var last telemetry.Bucket
	open := false
	for _, b := range buckets {
		if b.Count == 0 || math.IsNaN(b.Mean) {
			continue
		}
		drawn = true
		x, m := p.x(b.From.Add(b.To.Sub(b.From)/2)), at(b.Mean)
		lo, hi := at(b.Min), at(b.Max)
		if math.Abs(lo-hi) > 0.2 {
			p.stroke(open)
			open = false
			p.pdf.SetLineWidth(w * 0.6)
			p.pdf.Line(x, lo, x, hi)
		}
		p.pdf.SetLineWidth(w)
		if last.Count > 0 && b.From.Sub(last.To) <= gap {
			if !open {
				p.pdf.MoveTo(p.x(last.From.Add(last.To.Sub(last.From)/2)), at(last.Mean))
			}
			p.pdf.LineTo(x, m)
			open = true
		} else {
			p.stroke(open)
			open = false
			p.pdf.Line(x, m, x+0.01, m)
		}
		last = b
	}
	p.stroke(open)
	p.pdf.SetLineCapStyle("butt")
	p.pdf.SetLineJoinStyle("miter")
	p.pdf.ClipEnd()
	if !drawn {
		what := "no sample that is not bad was received"
		if !p.e.Engine.Declared(ch) {
			what = "not measured on this engine"
		}
		p.blank(plotL+3, y+h/2+1, bodySize, nameOf(ch)+": "+what)
	}
}

func (p *paper) stroke(open bool) {
	if open {
		p.pdf.DrawPath("D")
	}
}

// lanes draws a lane a step: under the numbers of words a bar as it was judged then.
func (p *paper) lanes(y float64) {
	for i, s := range p.steps {
		ly := y + float64(i)*laneH
		bar := ly + laneH - barH - 0.7
		style := regular
		if s.ordered {
			style = bold
		}
		p.text(left, ly+laneH-2, style, bodySize, s.Title)
		end := p.e.Until
		if !s.done.IsZero() {
			end = s.done
		}
		for _, sp := range s.spans {
			from, to := sp.from, sp.to
			if to.After(end) {
				to = end
			}
			if from.Before(to) {
				p.fill(p.x(from), bar, p.x(to)-p.x(from), barH, sp.verdict)
			}
		}
		if len(s.spans) == 0 {
			p.blank(plotL+2, bar+barH-0.4, noteSize, "nothing was judged")
		}
		if !s.done.IsZero() {
			p.pdf.SetLineWidth(0.8)
			p.pdf.Line(p.x(s.done), bar-0.6, p.x(s.done), bar+barH+0.5)
			p.blank(p.x(s.done)+1.2, bar+barH-0.3, noteSize, "done "+p.clock(s.done))
		}
		p.boxes(i, ly, bar)
		if i < len(p.steps)-1 {
			p.pdf.SetDrawColor(0xbb, 0xbb, 0xbb)
			p.rule(ly+laneH, 0.1)
			p.pdf.SetDrawColor(0, 0, 0)
		}
	}
}

// blank draws a note on a ground of its own, so that no line of the scale runs through it.
func (p *paper) blank(x, y, size float64, s string) {
	w := math.Min(p.measure(regular, size, s), right-x)
	p.pdf.SetFillColor(255, 255, 255)
	p.pdf.Rect(x-0.4, y-size*mm*0.8, w+0.8, size*mm*1.05, "F")
	p.text(x, y, regular, size, s)
}

// alarms draws from when until when each alarm stood, under its letter: heavy while
// nobody had said that they know.
func (p *paper) alarms(ly float64, all []course) {
	p.pdf.SetDrawColor(0xbb, 0xbb, 0xbb)
	p.rule(ly, 0.1)
	p.pdf.SetDrawColor(0, 0, 0)
	p.text(left, ly+laneH-2, bold, bodySize, "Alarms")
	line := ly + laneH - barH/2 - 0.7
	busy := plotL - boxW
	for n, c := range all {
		from, to := c.raised(p.e), c.over(p.e)
		known := to
		if a, ok := c.acknowledged(); ok && a.At.Before(to) {
			known = a.At
		}
		p.pdf.SetLineWidth(1.1)
		p.pdf.Line(p.x(from), line, math.Max(p.x(known), p.x(from)+0.4), line)
		p.pdf.SetLineWidth(0.35)
		p.pdf.Line(p.x(from), line, p.x(to), line)
		for _, t := range []time.Time{from, to} {
			p.pdf.Line(p.x(t), line-1, p.x(t), line+1)
		}
		x := math.Max(p.x(from)-boxW/2, busy)
		if x+boxW > right || x > p.x(from)+farthest {
			continue // its letter stands in the table
		}
		p.pdf.SetFillColor(255, 255, 255)
		p.pdf.SetLineWidth(0.2)
		p.pdf.Rect(x, ly+0.35, boxW, boxH, "FD")
		p.textC(x+boxW/2, ly+0.35+boxH-0.8, bold, noteSize-0.8, letter(n))
		busy = x + boxW
	}
}

// boxes draws the numbered words of a lane: a stroke at each moment at which one was
// given, and its number over the first. Numbers that would overlap move to the right.
func (p *paper) boxes(i int, ly, bar float64) {
	busy := plotL - boxW
	for _, s := range p.stood {
		if lane(p.steps, p.e.Engine, s) != i {
			continue
		}
		p.pdf.SetLineWidth(0.3)
		for _, t := range s.given {
			if done := p.steps[i].done; done.IsZero() || !t.After(done) || t.Equal(s.given[0]) {
				p.pdf.Line(p.x(t), bar-0.5, p.x(t), bar)
			}
		}
		x := math.Max(p.x(s.given[0])-boxW/2, busy)
		if x+boxW > right || x > p.x(s.given[0])+farthest {
			continue // its number stands in the table
		}
		p.pdf.SetFillColor(255, 255, 255)
		p.pdf.SetLineWidth(0.2)
		p.pdf.Line(p.x(s.given[0]), bar, math.Max(x, math.Min(p.x(s.given[0]), x+boxW)), bar-0.6)
		p.pdf.Rect(x, ly+0.35, boxW, boxH, "FD")
		p.textC(x+boxW/2, ly+0.35+boxH-0.8, bold, noteSize-0.8, fmt.Sprint(s.no))
		busy = x + boxW
	}
}

// fill draws a verdict: solid, hatched, or a dashed outline.
func (p *paper) fill(x, y, w, h float64, v verdict.Verdict) {
	switch v {
	case verdict.Proven:
		p.pdf.SetFillColor(0, 0, 0)
		p.pdf.Rect(x, y, math.Max(w, 0.3), h, "F")
	case verdict.NotYet:
		p.pdf.SetLineWidth(0.2)
		p.pdf.ClipRect(x, y, w, h, false)
		for d := x - h - math.Mod(x, 1.3); d < x+w; d += 1.3 {
			p.pdf.Line(d, y+h, d+h, y)
		}
		p.pdf.ClipEnd()
		p.pdf.Rect(x, y, w, h, "D")
	default:
		p.pdf.SetLineWidth(0.25)
		p.pdf.SetDashPattern([]float64{1.1, 0.8}, 0)
		p.pdf.Rect(x, y, w, h, "D")
		p.pdf.SetDashPattern([]float64{}, 0)
	}
}

func (p *paper) key(alarms bool) {
	y := p.y + 2
	x := left
	for _, v := range []verdict.Verdict{verdict.Proven, verdict.NotYet, verdict.CannotTell} {
		p.fill(x, y, 7, barH, v)
		x += 8.5 + p.text(x+8.5, y+barH-0.4, regular, noteSize, said(v)) + 5
	}
	p.pdf.SetLineWidth(0.3)
	p.pdf.Rect(x, y-0.4, boxW, boxH, "D")
	p.textC(x+boxW/2, y-0.4+boxH-0.8, bold, noteSize-0.8, "1")
	x += boxW + 1.5 + p.text(x+boxW+1.5, y+barH-0.4, regular, noteSize, "a person's word") + 5
	if alarms {
		p.pdf.SetLineWidth(0.3)
		p.pdf.Rect(x, y-0.4, boxW, boxH, "D")
		p.textC(x+boxW/2, y-0.4+boxH-0.8, bold, noteSize-0.8, "A")
		x += boxW + 1.5 + p.text(x+boxW+1.5, y+barH-0.4, regular, noteSize, "an alarm") + 5
	}
	p.pdf.SetLineWidth(0.7)
	p.pdf.Line(x, y-0.4, x, y+barH+0.4)
	x += 1.5 + p.text(x+1.5, y+barH-0.4, regular, noteSize, "done") + 5
	p.pdf.SetLineWidth(0.3)
	p.pdf.Line(x, y-0.4, x, y+barH+0.4)
	x += 1.5 + p.text(x+1.5, y+barH-0.4, regular, noteSize, "end") + 5
	p.text(x, y+barH-0.4, regular, noteSize, "numbers, letters: in the tables")
	p.y += 7
}

// titleBlock stands at the foot of the first page, as on a drawing.
func (p *paper) titleBlock() {
	const h, upper = blockH, 14.0
	y := bottom - h
	if y < p.y { // a long lead: the block goes to a page of its own
		p.page()
		y = p.y
	}
	p.pdf.SetLineWidth(0.5)
	p.pdf.Rect(left, y, width, h, "D")
	p.rule(y+upper, 0.3)
	cell := func(x, cy, w float64, name, value string) {
		p.text(x+1.6, cy+3.4, regular, noteSize-0.5, name)
		if value != "" {
			p.text(x+1.6, cy+9, bold, bodySize+0.5, p.fitIn(value, bold, bodySize+0.5, w-3))
		}
	}
	cols := []float64{0, 64, 128, width}
	for i, name := range []string{"Disposed by (name, signature)", "Examined by (name, signature)", "Date"} {
		cell(left+cols[i], y, cols[i+1]-cols[i], name, "")
		if i > 0 {
			p.pdf.SetLineWidth(0.3)
			p.pdf.Line(left+cols[i], y, left+cols[i], y+upper)
		}
		p.pdf.SetDrawColor(0x88, 0x88, 0x88)
		p.pdf.SetLineWidth(0.15)
		p.pdf.Line(left+cols[i]+1.6, y+upper-2.4, left+cols[i+1]-1.6, y+upper-2.4)
		p.pdf.SetDrawColor(0, 0, 0)
	}
	e := p.e
	book := "nothing written"
	if e.Book.Last > 0 {
		book = fmt.Sprintf("%d to %d, %x…", e.Book.First, e.Book.Last, e.Book.Hash[:4])
	}
	people := listed(p.people())
	for _, c := range []struct {
		x, w        float64
		name, value string
	}{
		{0, 34, "Engine", e.Engine.Name},
		{34, 32, "Lay-up", layUpWord(e.layUp())},
		{66, 50, "Gave their word", people},
		{116, 44, "Book, entries and hash", book},
		{160, width - 160, "Sheet", fmt.Sprintf("1 of %d", p.total)},
	} {
		cell(left+c.x, y+upper-0.6, c.w, c.name, c.value)
		if c.x > 0 {
			p.pdf.SetLineWidth(0.3)
			p.pdf.Line(left+c.x, y+upper, left+c.x, y+h)
		}
	}
}

func layUpWord(l telemetry.LayUp) string {
	switch l {
	case telemetry.Dry:
		return "dry, emptied"
	case telemetry.Short:
		return "short, with water"
	case telemetry.Wet:
		return "wet, full"
	}
	return unknown
}

// people are those who gave their word, in order of the first.
func (p *paper) people() []string {
	var out []string
	for _, s := range p.e.Said {
		if s.By != "" && !contains(out, s.By) {
			out = append(out, s.By)
		}
	}
	return out
}

// channels are the configured channels of an engine, in order of name.
func channels(e engine.Engine) []telemetry.Channel {
	var out []telemetry.Channel
	for id := range e.Channels {
		out = append(out, id)
	}
	sortChannels(out)
	return out
}
