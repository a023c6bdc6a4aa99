package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/caution"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/engine"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
	"ashlamp/rules/watch"
)

func sortChannels(list []telemetry.Channel) { slices.Sort(list) }

func watchTitle(id string) string {
	for _, w := range watch.Table() {
		if w.ID == id {
			return w.Title
		}
	}
	return id
}

// rest draws all pages after the first.
func (p *paper) rest() {
	p.remains()
	p.stepTable()
	p.provenBy()
	p.wordTable()
	p.alarmTable()
	p.figures()
	p.sensors()
	p.limits()
	p.book()
}

// remains is what is to be looked at before anyone goes on from this record.
func (p *paper) remains() {
	var out []string
	var ids []string
	for _, s := range p.steps {
		was, ok := s.stood, s.judged
		_, ever := s.first()
		if s.ordered && (s.done.IsZero() || !ok || was.verdict != verdict.Proven) {
			ids = append(ids, s.ID)
			what := p.unproven(s)
			switch {
			case s.done.IsZero() && ever:
				what = s.Title + " was proven, and nothing tells that it was done"
			case s.done.IsZero():
				what = s.Title + " was never proven, and nothing tells that it was done"
			case !ok:
				what = s.Title + " was done while nothing was judged"
			}
			out = append(out, what+".")
			last := was
			if n := len(s.spans); s.done.IsZero() && n > 0 {
				last = s.spans[n-1]
			}
			for _, w := range last.wanting() {
				out = append(out, "    "+p.clock(last.told)+"  "+w)
			}
		}
	}
	for _, c := range coursesOf(p.e) {
		if last := c.changes[len(c.changes)-1]; last.State != alarm.Normal && last.State != alarm.Suppressed {
			out = append(out, fmt.Sprintf("Alarm “%s” still %s at the end: %s", watchTitle(c.watch), stateWord(last.State), sentence(last.Text)))
		}
	}
	for _, name := range p.silent() {
		out = append(out, name+": no sample was heard.")
	}
	p.heading("Remains to be looked at", 12)
	if len(out) == 0 {
		out = append(out, "Nothing that this record knows of. It knows only what was measured and said.")
	}
	for _, s := range out {
		indent := 0.0
		if t := strings.TrimLeft(s, " "); t != s {
			s, indent = t, 6
		}
		p.paraAt(left+indent, width-indent, regular, bodySize, s)
		p.y += 0.6
	}
	// What may hurt somebody who goes on from here.
	last := "seal-dry"
	if p.e.layUp() == telemetry.Dry {
		ids = append(ids, last)
	}
	ids = append(ids, "house")
	p.y += 1
	p.room(10)
	p.y += leading(bodySize)
	p.text(left, p.y-1, bold, bodySize, "Cautions")
	told := map[string]bool{}
	for _, id := range ids {
		cautions := caution.ByStep(id)
		if id == last {
			slices.Reverse(cautions) // before the next steaming comes last there
		}
		for i, c := range cautions {
			if i < 2 && !told[c] {
				told[c] = true
				p.para(regular, bodySize, "–  "+c)
				p.y += 0.3
			}
		}
	}
	p.para(regular, bodySize, "–  "+caution.Always)
	p.y += 2
}

func (p *paper) stepTable() {
	p.heading("Steps", 14)
	var rows []row
	for _, s := range p.steps {
		r := row{s.Title, "never", "–", "", ""}
		if x, ok := s.first(); ok {
			n := 0
			for _, x := range s.spans {
				if x.verdict == verdict.Proven {
					n++
				}
			}
			if r[1], r[2] = p.clock(x.from), lasting(s.provenFor()); n > 1 {
				r[2] += fmt.Sprintf(",\nin %d parts", n)
			}
		}
		if len(s.spans) == 0 {
			r[1] = "not judged"
		}
		switch was, ok := s.stood, s.judged; {
		case s.done.IsZero() && !s.ordered:
			r[3], r[4] = "–", "not of this evening's order"
		case s.done.IsZero():
			r[3], r[4] = unknown, p.endedAs(s)
		case !ok:
			r[3], r[4] = p.clock(s.done), "nothing was judged then"
		default:
			r[3], r[4] = p.clock(s.done), said(was.verdict)
			if w := was.wanting(); was.verdict != verdict.Proven && len(w) > 0 {
				r[4] += ": " + strings.Join(w, " ")
			}
		}
		rows = append(rows, r)
	}
	p.table([]column{
		{title: "step", w: 30, style: bold}, {title: "first proven", w: 22}, {title: "proven for", w: 24},
		{title: "done", w: 18}, {title: "stood then as", w: width - 94},
	}, rows)
	p.note("Done is as a person said it or samples showed it. “Stood then as” is the verdict at that word; of moving and of blowing down, as it was begun. How long a step stood proven is counted to the end of the disposal, whether or not it was done meanwhile.")
}

func (p *paper) note(s string) {
	p.y += 1
	p.para(regular, noteSize, s)
	p.y += 1
}

func (p *paper) endedAs(s step) string {
	if n := len(s.spans); n > 0 {
		last := s.spans[n-1]
		t := "at the end " + said(last.verdict)
		if w := last.wanting(); len(w) > 0 && last.verdict != verdict.Proven {
			t += ". As told at " + p.clock(last.told) + ": " + strings.Join(w, " ")
		}
		return t
	}
	return "nothing was judged"
}

// provenBy tells of each step by what it was first proven, and of one that never was,
// what it lacked.
func (p *paper) provenBy() {
	p.heading("Proven, and by what", 20)
	var rows []row
	for _, s := range p.steps {
		x, ok := s.first()
		if !ok {
			text := "Nothing was judged."
			if n := len(s.spans); n > 0 {
				last := s.spans[n-1]
				text = capital(said(last.verdict)) + " at the end. "
				if last.told.After(p.e.Begun) {
					text += "As told at " + p.clock(last.told) + ": "
				}
				text += strings.Join(last.wanting(), " ")
			}
			rows = append(rows, row{s.Title, "never", text})
			continue
		}
		var because []string
		for _, r := range x.because {
			because = append(because, strings.TrimSpace(r.Text))
		}
		if len(because) == 0 {
			because = []string{"The book has no reasons for it."}
		}
		rows = append(rows, row{s.Title, p.clockS(x.from), strings.Join(because, " ")})
	}
	p.table([]column{{title: "step", w: 30, style: bold}, {title: "first proven", w: 22}, {title: "in the words of that moment", w: width - 52}}, rows)
}

func (p *paper) wordTable() {
	p.heading("Said by a person", 14)
	if len(p.stood) == 0 {
		p.para(regular, bodySize, "No confirmation was given.")
	} else {
		var rows []row
		for _, s := range p.stood {
			given := p.clock(s.given[0])
			switch n := len(s.given); {
			case n == 2:
				given += "\nagain " + p.clock(s.given[1])
			case n > 2:
				given += fmt.Sprintf("\nagain %d times,\nthe last %s", n-1, p.clock(s.given[n-1]))
			}
			ended := "still stood at the end"
			if !s.ended.IsZero() {
				ended = p.clock(s.ended) + ": " + s.why
				if s.byEnd != "" {
					ended += " by " + s.byEnd
				}
			}
			rows = append(rows, row{fmt.Sprint(s.no), given, wordTitle(s.id), listed(s.by), ended})
		}
		p.table([]column{
			{title: "no.", w: 9, right: true, style: bold}, {title: "given", w: 29}, {title: "confirmation", w: 42},
			{title: "by", w: 38}, {title: "no longer stood from", w: width - 118},
		}, rows)
	}
	type entry struct {
		at       time.Time
		text, by string
	}
	var others []entry
	for _, s := range p.e.Said {
		if text := otherWord(p, s); text != "" {
			others = append(others, entry{s.At, text, who(s.By)})
		}
	}
	for _, g := range p.e.Passages {
		if g.Event == "" {
			others = append(others, entry{g.At, "Phase: " + strings.ReplaceAll(string(g.Phase), "-", " "), "–"})
		}
	}
	for _, o := range p.e.Others {
		by := "–"
		if o.By != "" {
			by = o.By
		}
		text := o.Text
		if text == "" {
			text = "In the book: " + strings.ReplaceAll(o.Kind, "-", " ")
		}
		others = append(others, entry{o.At, text, by})
	}
	slices.SortStableFunc(others, func(a, b entry) int { return a.at.Compare(b.at) })
	var rows []row
	for _, o := range others {
		rows = append(rows, row{p.clock(o.at), o.text, o.by})
	}
	if len(rows) > 0 {
		p.y += 3
		p.room(14)
		p.table([]column{{title: "at", w: 29}, {title: "other words, and phases", w: 105}, {title: "by", w: width - 134}}, rows)
	}
}

// otherWord puts what is no confirmation into a sentence; empty for a confirmation.
func otherWord(p *paper, s Said) string {
	why := ""
	if s.Why != "" {
		why = " (" + s.Why + ")"
	}
	switch s.Kind {
	case telemetry.Confirmed:
		return ""
	case telemetry.Withdrawn:
		return "Takes back: " + wordTitle(s.Subject) + why
	case telemetry.DisposalBegun:
		return "Begins the disposal"
	case telemetry.DisposalEnded:
		return "Says that the engine is housed"
	case telemetry.FireLit:
		return "Says that a fire is lit"
	case telemetry.NodePutAway:
		return "Puts the node " + s.Subject + " away" + why
	case telemetry.NodeBack:
		return "Takes the node " + s.Subject + " into use again" + why
	case telemetry.AlarmAcknowledged:
		return "Knows of the alarm: " + watchTitle(s.Subject) + why
	case telemetry.AlarmShelved:
		return "Puts the alarm aside until " + p.clock(s.Until) + ": " + watchTitle(s.Subject) + why
	case telemetry.AlarmUnshelved:
		return "Takes the alarm up again: " + watchTitle(s.Subject) + why
	case telemetry.RepairBooked:
		return "Books for repair: " + s.Subject + why
	case telemetry.RepairDone:
		return "Repair done: " + s.Subject + why
	case telemetry.NextWanted:
		if s.Until.IsZero() {
			return "Next wanted: nobody knows"
		}
		return "Next wanted " + p.local(s.Until).Format("2 January 2006 15:04")
	case telemetry.LookedInto:
		return "Has looked into the resting boiler"
	}
	return s.Kind.String() + why
}

func stateWord(s alarm.State) string {
	switch s {
	case alarm.Unacknowledged:
		return "not acknowledged"
	case alarm.ReturnedUnacknowledged:
		return "over, not acknowledged"
	case alarm.Normal:
		return "over"
	case alarm.OutOfService:
		return "out of service"
	}
	return s.String()
}

func (p *paper) alarmTable() {
	p.heading("Alarms", 12)
	all := coursesOf(p.e)
	if len(all) == 0 {
		p.para(regular, bodySize, "No alarm was raised during this disposal.")
	}
	var rows []row
	for n, c := range all {
		for i, x := range c.changes {
			title := ""
			if i == 0 {
				title = letter(n) + ": " + watchTitle(c.watch)
			}
			by := "–"
			if x.By != "" {
				by = x.By
			}
			rows = append(rows, row{title, p.clockS(x.At), stateWord(x.State), x.Priority.String(), sentence(x.Text), by})
		}
	}
	if len(rows) > 0 {
		p.table([]column{
			{title: "alarm", w: 34, style: bold}, {title: "from", w: 21}, {title: "state", w: 28}, {title: "priority", w: 15},
			{title: "what was told", w: width - 124}, {title: "by", w: 26},
		}, rows)
		unknown := 0
		for _, c := range all {
			if _, ok := c.acknowledged(); !ok {
				unknown++
			}
		}
		if unknown > 0 {
			p.note(capital(count(unknown, "alarm", "alarms")) + " nobody acknowledged.")
		}
	}
	if off := p.suppressed(); len(off) > 0 {
		p.note("Off at the end by design: " + strings.Join(off, "; ") + ".")
	}
}

// suppressed names the watches that raised nothing at the end because they could not.
func (p *paper) suppressed() []string {
	last := map[string]alarm.Change{}
	for _, c := range p.e.Alarms {
		if !c.At.After(p.e.Until) {
			last[c.Watch] = c
		}
	}
	var out []string
	for _, w := range watch.Table() {
		if c, ok := last[w.ID]; ok && c.State == alarm.Suppressed {
			out = append(out, w.Title+" ("+strings.TrimSuffix(c.Text, ".")+")")
		}
	}
	return out
}

func (p *paper) figures() {
	p.heading("The cooldown in figures", 60) // with its first table
	s := p.e.Summary
	if s == nil {
		p.para(regular, bodySize, "No summary was drawn up of this disposal; its figures are not known.")
		return
	}
	f := s.First
	v := func(c telemetry.Channel, x *float64) string {
		if x == nil {
			return unknown
		}
		return inUnit(c, *x)
	}
	p.para(regular, bodySize, fmt.Sprintf("As it began: pressure %s; shell %s; firebox %s; water %s; shed's air %s. Drawn up from %d samples.",
		v(telemetry.BoilerPressure, f.PressurePa), v(telemetry.ShellTop, f.ShellC), v(telemetry.Firebox, f.FireboxC),
		glass(f.Level), v(telemetry.AmbientTemp, f.AirC), s.Samples))
	p.y += 2
	marks := s.Passed
	pairs := [][2]string{
		{"Fire out", p.reached(marks.FireOut)}, {"Blow-down begun", p.reached(marks.BlowDownBegun)},
		{"Blow-down finished", p.reached(marks.BlowDownFinished)}, {"Pressure in its zero band", p.reached(marks.PressureZero)},
		{"Shell below boiling", p.reached(marks.BelowBoiling)}, {"Firebox cool enough to house", p.reached(marks.FireboxCool)},
		{"Smokebox cool enough to house", p.reached(marks.SmokeboxCool)}, {"Firebox and smokebox touchable", p.reached(marks.Touchable)},
		{"Tanks empty", p.reached(marks.TanksEmpty)}, {"Plugs removed", p.reached(marks.PlugsRemoved)}, {"Barrel dry", p.reached(marks.BarrelDry)},
	}
	var rows []row
	half := (len(pairs) + 1) / 2
	for i := range half {
		r := row{pairs[i][0], pairs[i][1], "", ""}
		if i+half < len(pairs) {
			r[2], r[3] = pairs[i+half][0], pairs[i+half][1]
		}
		rows = append(rows, r)
	}
	p.table([]column{{title: "passed", w: 55}, {title: "at", w: 34}, {title: "passed", w: 55}, {title: "at", w: width - 144}}, rows)
	p.y += 2
	number := func(x *float64, places int, unit string) string {
		if x == nil {
			return unknown
		}
		return figure(*x, places) + " " + unit
	}
	rows = []row{
		rate("Heat lost by the shut boiler, UA/C", s.HeatLoss, 1, "1/h", 4),
		rate("… above half the working pressure", s.HeatLossHigh, 1, "1/h", 4),
		rate("… below half the working pressure", s.HeatLossLow, 1, "1/h", 4),
		rate("Fall of saturation 100 K above the air", s.FallAt100K, 1, "K/h", 1),
		rate("Time constant of the firebox", s.FireboxTimeConstant, 1, "h", 2),
		rate("Time constant of the emptied shell", s.ShellTimeConstant, 1, "h", 2),
		rate("Pressure follows the shell by", s.PressureLag, 1, "s", 0),
		{"Fastest cooling of the shell over 10 min", number(s.FastestCooling, 0, "K/h"), "as read", ""},
		{"Largest difference, top to bottom of the shell", number(s.LargestSpread, 1, "K"), "as read", ""},
	}
	if s.TankDrainS != nil {
		rows = append(rows, row{"Tanks drained in", lasting(time.Duration(*s.TankDrainS * float64(time.Second))), "as read", ""})
	}
	if s.DryingH != nil {
		rows = append(rows, row{"Barrel dried in", number(s.DryingH, 1, "h"), "as read", ""})
	}
	p.room(24)
	p.table([]column{{title: "figure", w: 72}, {title: "value", w: 30}, {title: "95 % interval", w: 42}, {title: "fitted to", w: width - 144}}, rows)
	p.forecasts(s)
}

func glass(level *float64) string {
	if level == nil {
		return unknown
	}
	return figure(*level, 2) + " of the glass"
}

func rate(name string, r *cooldown.Rate, scale float64, unit string, places int) row {
	if r == nil {
		return row{name, unknown, "–", "–"}
	}
	interval := unknown
	if r.Lo != nil && r.Hi != nil {
		interval = figure(*r.Lo*scale, places) + " to " + figure(*r.Hi*scale, places)
	}
	return row{name, figure(r.Value*scale, places) + " " + unit, interval, fmt.Sprintf("%d means over %s h", r.Means, figure(r.Hours, 1))}
}

func (p *paper) forecasts(s *cooldown.Summary) {
	if len(s.Forecasts) == 0 {
		p.note("No forecast came true, or none was made.")
		return
	}
	type told struct {
		target, assuming string
		list             []cooldown.Outcome
	}
	var all []*told
	for _, o := range s.Forecasts {
		i := slices.IndexFunc(all, func(t *told) bool { return t.target == o.Target && t.assuming == o.Assuming })
		if i < 0 {
			all = append(all, &told{target: o.Target, assuming: o.Assuming})
			i = len(all) - 1
		}
		all[i].list = append(all[i].list, o)
	}
	var rows []row
	for _, t := range all {
		slices.SortStableFunc(t.list, func(a, b cooldown.Outcome) int { return a.MadeAt.Compare(b.MadeAt) })
		within, of := 0, 0
		for _, o := range t.list {
			if o.Within != nil {
				of++
				if *o.Within {
					within++
				}
			}
		}
		hits := "no interval told"
		if of > 0 {
			hits = fmt.Sprintf("%d of %d within", within, of)
		}
		first, last := t.list[0], t.list[len(t.list)-1]
		missed := p.clock(first.MadeAt) + ": " + missedBy(first)
		if len(t.list) > 1 {
			missed += "\n" + p.clock(last.MadeAt) + ": " + missedBy(last)
		}
		rows = append(rows, row{strings.ReplaceAll(capital(t.target), "-", " "), strings.ReplaceAll(t.assuming, "-", " "), p.clock(first.Reached), hits, missed})
	}
	p.y += 2
	p.room(20)
	defer p.note("“As is” takes for granted that cocks, doors and plugs stay as they were when it was told; where a crew did something meanwhile, it could not come true.")
	p.table([]column{
		{title: "forecast of", w: 32}, {title: "assuming", w: 26}, {title: "came at", w: 24}, {title: "its 80 % intervals", w: 30},
		{title: "the first and the last that are kept: median", w: width - 112},
	}, rows)
}

// missedBy says how far a forecast's median was from what came.
func missedBy(o cooldown.Outcome) string {
	d := time.Duration(math.Abs(o.ErrorS) * float64(time.Second))
	switch {
	case d < 30*time.Second:
		return "to the minute"
	case o.ErrorS > 0:
		return "came " + lasting(d) + " later than told"
	}
	return "came " + lasting(d) + " earlier than told"
}

func (p *paper) sensors() {
	p.heading("Sensors", 24)
	var rows []row
	heard := map[telemetry.Channel]bool{}
	for _, t := range p.e.Tallies {
		heard[t.Channel] = true
		n := t.Good + t.Uncertain + t.Bad
		poor := ""
		var parts []string
		if t.Uncertain > 0 {
			parts = append(parts, fmt.Sprintf("%d uncertain", t.Uncertain))
		}
		if t.Bad > 0 {
			parts = append(parts, fmt.Sprintf("%d bad", t.Bad))
		}
		if poor = strings.Join(parts, ", "); poor == "" {
			poor = "none"
		}
		spanned := unknown
		if !math.IsNaN(t.Lowest) {
			a, unit, places := readable(t.Channel, t.Lowest)
			b, _, _ := readable(t.Channel, t.Highest)
			spanned = strings.TrimSpace(figure(a, places) + " to " + figure(b, places) + " " + unit)
		}
		u := "not stated"
		if p.e.Engine.Declared(t.Channel) || t.Channel.OfShed() {
			u = uncertainty(t.Channel, p.e.Engine.Channel(t.Channel).Uncertainty)
		}
		silence := lasting(t.Longest())
		if t.Longest().Seconds() > p.e.Engine.Fresh(t.Channel) {
			silence += ", from " + p.clock(t.LongestFrom)
		}
		rows = append(rows, row{nameOf(t.Channel), u, spanned, fmt.Sprint(n), poor, silence})
	}
	for _, id := range channels(p.e.Engine) {
		if !heard[id] {
			rows = append(rows, row{nameOf(id), uncertainty(id, p.e.Engine.Channel(id).Uncertainty), unknown, "0", "–", "all of it"})
		}
	}
	if len(rows) == 0 {
		p.para(regular, bodySize, "No sample was received, and no channel is configured.")
		return
	}
	p.table([]column{
		{title: "channel", w: 36, style: bold}, {title: "uncertainty", w: 23}, {title: "read, not bad", w: 38},
		{title: "samples", w: 20, right: true}, {title: "not good", w: 30}, {title: "longest silence", w: width - 147},
	}, rows)
	p.note("Uncertainty is expanded (coverage factor 2), as configured. Samples are counted as they were received; what the judgement came to doubt later is told as a finding.")
	p.findings()
	p.flaws()
}

// findings are what the judgement told of the sensors, as alarms.
func (p *paper) findings() {
	var rows []row
	for _, c := range coursesOf(p.e) {
		if !contains(ofSensors, c.watch) {
			continue
		}
		told := ""
		for _, x := range c.changes {
			if x.Text != "" && x.Text != told {
				told = x.Text
				rows = append(rows, row{p.clockS(x.At), watchTitle(c.watch), sentence(x.Text)})
			}
		}
	}
	if len(rows) == 0 {
		p.para(regular, bodySize, "No sensor was found to be at fault, lost, or at odds with another.")
		return
	}
	p.y += 1
	p.room(16)
	p.table([]column{{title: "at", w: 24}, {title: "finding", w: 50, style: bold}, {title: "as it was told", w: width - 74}}, rows)
}

// flaws are why samples came in that were not good.
func (p *paper) flaws() {
	const most = 4 // of each channel
	var rows []row
	for _, t := range p.e.Tallies {
		for i, f := range t.Flaws {
			if i == most {
				rows = append(rows, row{"", "", "", fmt.Sprintf("and %d further reasons", len(t.Flaws)-most)})
				break
			}
			rows = append(rows, row{nameOf(t.Channel), fmt.Sprintf("%d %s", f.Samples, f.Quality), p.clock(f.First) + " to " + p.clock(f.Last), sentence(f.Reason)})
		}
	}
	if len(rows) == 0 {
		return
	}
	p.y += 3
	p.room(16)
	p.table([]column{{title: "channel", w: 36, style: bold}, {title: "samples", w: 28}, {title: "between", w: 32}, {title: "why they are not good", w: width - 96}}, rows)
}

// rounded is a default to three digits: one that follows from a boiler's volume is no
// finer than that.
func rounded(v float64) float64 {
	if v == 0 {
		return 0
	}
	unit := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*unit) / unit
}

func (p *paper) limits() {
	p.heading("Limits", 24)
	defaults := limit.Defaults(p.e.Engine.WorkingPressure, p.e.Engine.BoilerVolume)
	var rows []row
	for _, l := range limit.Table() {
		v, set := p.e.Engine.Limits.At(l.Key), "by default"
		if l.Key == limit.ZeroBand && math.IsNaN(v) {
			v = p.zeroBand()
			defaults[l.Key] = v
		}
		switch d := defaults.At(l.Key); {
		case math.IsNaN(v):
			set = "none set"
		case v != d:
			set = "set by the owner"
		default:
			v = rounded(v)
		}
		value := "none"
		if !math.IsNaN(v) {
			value = trimmed(v) + " " + l.Unit
		}
		rows = append(rows, row{capital(l.Meaning), value, set})
	}
	p.table([]column{{title: "limit", w: 116}, {title: "value", w: 34}, {title: "", w: width - 150}}, rows)
	p.note(fmt.Sprintf("As the configuration had them when this record was drawn up: working pressure %s bar, boiler %s L, counted as empty %s, shed at %s m. Where they were changed since, the reasons under “Proven, and by what” give those of that evening.",
		trimmed(p.e.Engine.WorkingPressure), trimmed(p.e.Engine.BoilerVolume), emptiedBy(p.e.Engine.EmptiedBy), trimmed(p.e.Engine.Altitude)))
}

func emptiedBy(by engine.EmptiedBy) string {
	if by == engine.Empty {
		return "when seen to run empty"
	}
	return "when cold"
}

// zeroBand is the band in force, in bar: the owner's or, where none is set, what the
// transducer's uncertainty allows. NaN where neither is known.
func (p *paper) zeroBand() float64 {
	if band := p.e.Engine.Limits.At(limit.ZeroBand); !math.IsNaN(band) {
		return band
	}
	return math.Min(p.e.Engine.Channel(telemetry.BoilerPressure).Uncertainty/1e5, mostZeroBand)
}

// mostZeroBand is the widest zero band that proves anything, bar (contract).
const mostZeroBand = 0.10

// trimmed writes a figure with as many places as it needs, four at most.
func trimmed(v float64) string {
	s := figure(v, 4)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func (p *paper) book() {
	b := p.e.Book
	p.heading("The engine's book", 30)
	if b.Last == 0 {
		p.para(regular, bodySize, "Nothing was written into the engine's book.")
		return
	}
	p.para(regular, bodySize, fmt.Sprintf("Entries %d to %d are of this disposal; the last was written for %s UTC.", b.First, b.Last, b.At.UTC().Format("2006-01-02 15:04:05")))
	state := fmt.Sprintf("The chain from entry 1 to entry %d was followed and is unbroken.", b.Last)
	if !b.Unbroken {
		state = "THE CHAIN DOES NOT HOLD. " + sentence(capital(b.Broken))
	} else if b.Broken != "" {
		state += " After it: " + sentence(b.Broken)
	}
	style := regular
	if !b.Unbroken {
		style = bold
	}
	p.para(style, bodySize, state)
	p.y += 1
	p.para(regular, bodySize, "Number and hash of the last entry, by which this paper proves the book later:")
	p.para(bold, bodySize, b.mark())
	p.y += 1
	p.para(regular, bodySize, "To prove it:  ashlamp prove-book --data DIR --engine "+p.e.Engine.ID+" --noted NUMBER:HASH")
	p.note("Whoever may write the file can also write a whole book anew, and nothing in the file shows it. This paper does, as long as it is kept apart.")
}
