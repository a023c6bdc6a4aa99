package rulebook

import (
	"fmt"
	"math"
	"net/url"
	"strings"

	"ashlamp/rules"
	"ashlamp/rules/confirmation"
	"ashlamp/rules/engine"
	"ashlamp/rules/evidence"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/watch"
)

// book is all that the page says.
type book struct {
	Ground, Notice string
	// One is the name of the engine whose values are shown, empty for all.
	One       string
	Choices   []choice
	Chapters  []chapter
	Steps     []step
	Usual     struct{ NotYet, CannotTell []string }
	Evidence  []entry
	Words     []word
	Watches   []alert
	States    []State
	Kinds     []kind
	Bounds    []bound
	Limits    []limitRow
	NoEngines bool
}

type choice struct {
	Name, Href string
	Chosen     bool
}

// link is a way to another rule of the page.
type link struct{ ID, Title, Note string }

type chapter struct {
	ID, Title string
	Entries   []link
}

// said is something with the engines of which it is so; Of is empty where it is so of all shown.
type said struct{ Of, Text string }

type step struct {
	link
	Absent      []said
	Needs, Rest []need
	Deed        *link
	Kind        []string
}

type need struct {
	link
	ByHand bool
}

// entry is an evidence; its forms are those in which different steps ask it.
type entry struct {
	link
	Forms []form
}

type form struct {
	Means, Failing, Source   string
	Steps                    []link
	Ways, NotYet, CannotTell []string
	Channels                 []channel
	Words                    []link
	ByWord                   []said
	Hold                     *limitRow
	Limits                   []limitRow
	Fixed                    []figure
}

type channel struct {
	Name, ID string
	Fresh    *link
	Of       []said
}

type figure struct{ Meaning, Value, Source string }

type word struct {
	link
	Question string
	Lapses   []string
	Steps    []link
	Evidence []link
	Limits   []limitRow
	Ways     []string
	NotYet   []string
	InPlace  []said
}

type alert struct {
	link
	Priority, Consequence, Respond, Action       string
	On, Off, Deadband, Side, Again, Shelf, Basis string
	Channels                                     []channel
	Limits                                       []limitRow
	Fixed                                        []figure
	Kinds                                        []link
	Suppressed, Why                              string
	OffFor                                       []said
}

type kind struct {
	link
	Means, Effect, Ends, Method string
	Figures                     []figure
	Watches                     []link
}

type bound struct {
	Name, ID string
	Of       []said
	Rise     string
}

type limitRow struct {
	Key, Meaning, Default, Accepts, Source string
	Of                                     []said
	Used                                   []link
}

// writer holds what the parts of the page have in common.
type writer struct {
	all, shown []engine.Engine
	// The tables, made once a page.
	asked    []rules.Step
	declared []evidence.Declaration
	table    []limit.Limit
	defaults map[string]limit.Set // by engine
	follows  [2]limit.Set         // of two engines that differ in all that a default can follow from
	zero     map[string]float64   // the zero band in bar, by engine
	err      error
}

// write makes the page's contents. id is the chosen engine, empty for all.
func write(all, shown []engine.Engine, id, ground string) (*book, error) {
	w := &writer{
		all: all, shown: shown, zero: map[string]float64{}, defaults: map[string]limit.Set{},
		asked: rules.Steps(), declared: declared(), table: limit.Table(),
		follows: [2]limit.Set{limit.Defaults(6, 200), limit.Defaults(12, 900)},
	}
	for _, e := range shown {
		k, err := evidence.NewKnown(e)
		if err != nil {
			return nil, fmt.Errorf("engine %s: %w", e.ID, err)
		}
		w.zero[e.ID] = k.ZeroBand() / 1e5
		w.defaults[e.ID] = limit.Defaults(e.WorkingPressure, e.BoilerVolume)
	}
	b := &book{Ground: ground, NoEngines: len(all) == 0}
	b.Choices = choices(all, id, ground)
	if id != "" {
		b.One = shown[0].Name
	}
	b.Usual.NotYet, b.Usual.CannotTell = evidence.UsualNotYet(), evidence.UsualCannotTell()
	b.Steps = w.steps()
	b.Evidence = w.evidence()
	b.Words = w.words()
	b.Watches = w.watches()
	b.States = states()
	b.Kinds = w.kinds()
	b.Bounds = w.bounds()
	b.Limits = w.limits()
	b.Chapters = []chapter{
		{"how-to-read", "How to read it", nil},
		{"steps", "Steps", links(b.Steps, func(s step) link { return s.link })},
		{"evidence", "Evidence", links(b.Evidence, func(e entry) link { return e.link })},
		{"confirmations", "Confirmations", links(b.Words, func(c word) link { return c.link })},
		{"watches", "Watches", links(b.Watches, func(a alert) link { return a.link })},
		{"alarms", "Life of an alarm", links(b.States, func(s State) link { return link{ID: s.ID, Title: s.Title} })},
		{"health", "Health of sensors", links(b.Kinds, func(k kind) link { return k.link })},
		{"limits", "All limits", nil},
	}
	return b, w.err
}

func links[T any](from []T, of func(T) link) []link {
	out := make([]link, len(from))
	for i := range from {
		out[i] = of(from[i])
	}
	return out
}

func choices(all []engine.Engine, id, ground string) []choice {
	href := func(id string) string {
		q := url.Values{}
		if id != "" {
			q.Set("engine", id)
		}
		if ground != "" {
			q.Set("ground", ground)
		}
		if len(q) == 0 {
			return "rules"
		}
		return "rules?" + q.Encode()
	}
	out := []choice{{"all engines", href(""), id == ""}}
	for _, e := range all {
		out = append(out, choice{e.Name, href(e.ID), e.ID == id})
	}
	return out
}

// of says something of each engine shown, those of which it is the same together;
// the empty text is left out.
func (w *writer) of(say func(engine.Engine) string) []said {
	var order []string
	names := map[string][]string{}
	for _, e := range w.shown {
		s := say(e)
		if _, ok := names[s]; !ok {
			order = append(order, s)
		}
		names[s] = append(names[s], e.Name)
	}
	var out []said
	for _, s := range order {
		if s == "" {
			continue
		}
		out = append(out, said{list(names[s]), s})
	}
	return out
}

func (w *writer) steps() []step {
	needs := func(from []evidence.Declaration) []need {
		out := make([]need, len(from))
		for i, d := range from {
			out[i] = need{link{d.ID, d.Title, d.Means}, d.ByHand()}
		}
		return out
	}
	var out []step
	for _, s := range w.asked {
		v := step{link: link{ID: s.ID, Title: s.Title}, Needs: needs(s.Needs), Rest: needs(s.AtRest)}
		if s.Deed != "" {
			v.Deed = &link{ID: s.Deed, Title: titleOf(s.Deed)}
		}
		if s.InOrder {
			v.Kind = append(v.Kind, "Part of the evening's work")
		} else {
			v.Kind = append(v.Kind, "Done when somebody wants to")
		}
		if s.Emptying {
			v.Kind = append(v.Kind, "only for an engine that is to be emptied")
		}
		if s.Has != nil {
			v.Absent = w.of(func(e engine.Engine) string {
				if s.Has(e) {
					return ""
				}
				return "has not what this step is about, and is not asked for it"
			})
		}
		out = append(out, v)
	}
	return out
}

func titleOf(id string) string {
	for _, d := range confirmation.Table() {
		if d.ID == id {
			return d.Title
		}
	}
	return evidence.Title(id)
}

// same reports whether two declarations are one: of the same name, by the same limits.
func same(a, b evidence.Declaration) bool {
	if a.ID != b.ID || len(a.Limits) != len(b.Limits) {
		return false
	}
	for i := range a.Limits {
		if a.Limits[i] != b.Limits[i] {
			return false
		}
	}
	return true
}

// asking returns the steps that ask an evidence.
func (w *writer) asking(d evidence.Declaration) []link {
	var out []link
	for _, s := range w.asked {
		l := link{ID: s.ID, Title: s.Title}
		emptied, rest := false, false
		for _, n := range s.Needs {
			emptied = emptied || same(n, d)
		}
		for _, n := range s.AtRest {
			rest = rest || same(n, d)
		}
		if len(s.AtRest) == 0 {
			rest = emptied
		}
		switch {
		case emptied && !rest:
			l.Note = "an emptied engine"
		case rest && !emptied:
			l.Note = "an engine left with its water"
		}
		if emptied || rest {
			out = append(out, l)
		}
	}
	return out
}

func (w *writer) evidence() []entry {
	var out []entry
	at := map[string]int{}
	for _, d := range w.declared {
		if d.ByHand() {
			continue
		}
		i, ok := at[d.ID]
		if !ok {
			i = len(out)
			at[d.ID] = i
			out = append(out, entry{link: link{ID: d.ID, Title: d.Title}})
		}
		out[i].Forms = append(out[i].Forms, w.form(d))
	}
	return out
}

// declared returns every evidence, those of the table and any that only a step names.
func declared() []evidence.Declaration {
	out := evidence.Table()
	add := func(ds []evidence.Declaration) {
		for _, d := range ds {
			known := false
			for _, o := range out {
				known = known || same(o, d)
			}
			if !known {
				out = append(out, d)
			}
		}
	}
	for _, s := range rules.Steps() {
		add(s.Needs)
		add(s.AtRest)
	}
	return out
}

func (w *writer) form(d evidence.Declaration) form {
	f := form{
		Means: d.Means, Failing: upper(d.Failing) + ".", Source: upper(d.Source) + ".", Steps: w.asking(d),
		Ways: d.Ways, NotYet: d.NotYet, CannotTell: d.CannotTell, Channels: w.channels(d.Needs),
	}
	if d.Word != "" {
		f.Words = []link{{ID: d.Word, Title: titleOf(d.Word)}}
	}
	f.ByWord = w.of(func(e engine.Engine) string {
		if by, ok := e.ByWord[d.ID]; ok {
			return fmt.Sprintf("where a channel is not measured, by the word %q only", titleOf(by))
		}
		return ""
	})
	for _, k := range d.Limits {
		row := w.limit(k)
		if k == limit.Hold || k == limit.ZeroHold {
			f.Hold = &row
			continue
		}
		f.Limits = append(f.Limits, row)
	}
	for _, x := range d.Fixed {
		f.Fixed = append(f.Fixed, figureOf(x.Meaning, x.Value, x.Unit, x.Source))
	}
	return f
}

func figureOf(meaning string, v float64, unit, source string) figure {
	return figure{upper(meaning), amount(round(v), unit), source}
}

// freshKey returns the limit by which a channel's samples grow too old: asked of the
// engine itself, given limits that can be told apart.
func freshKey(id telemetry.Channel) limit.Key {
	e := engine.Engine{Limits: limit.Set{}}
	var keys []limit.Key
	for _, l := range limit.Table() {
		if strings.HasPrefix(string(l.Key), "fresh_") {
			keys = append(keys, l.Key)
			e.Limits[l.Key] = float64(len(keys))
		}
	}
	if i := int(e.Fresh(id)); i >= 1 && i <= len(keys) {
		return keys[i-1]
	}
	return ""
}

func (w *writer) channels(ids []telemetry.Channel) []channel {
	var out []channel
	for _, id := range ids {
		s := showOf(id)
		c := channel{Name: evidence.Name(id), ID: string(id)}
		key := freshKey(id)
		c.Fresh = &link{ID: string(key), Title: string(key)}
		for _, l := range w.table {
			if l.Key == key {
				c.Fresh.Note = amount(l.Default, l.Unit)
			}
		}
		c.Of = w.of(func(e engine.Engine) string {
			if !e.Declared(id) {
				return "not measured"
			}
			return fmt.Sprintf("measured to ±%s, counts for %s", s.size(e.Channel(id).Uncertainty), amount(e.Fresh(id), "s"))
		})
		out = append(out, c)
	}
	return out
}

// limit tells one limit with its values.
func (w *writer) limit(key limit.Key) limitRow {
	for _, l := range w.table {
		if l.Key == key {
			return w.row(l)
		}
	}
	w.err = fmt.Errorf("limit %q is named by a rule and is not in the table of limits", key)
	return limitRow{Key: string(key)}
}

func (w *writer) row(l limit.Limit) limitRow {
	row := limitRow{
		Key: string(l.Key), Meaning: upper(l.Meaning) + ".", Source: upper(l.Source) + ".",
		Accepts: number(l.Min) + " to " + amount(l.Max, l.Unit),
	}
	a, b := w.follows[0].At(l.Key), w.follows[1].At(l.Key)
	switch {
	case !math.IsNaN(l.Default):
		row.Default = amount(l.Default, l.Unit)
	case l.Key == limit.ZeroBand, !math.IsNaN(a) && a != b:
		row.Default = "follows from the engine"
	default:
		row.Default = "none: the owner's to set"
	}
	row.Of = w.of(func(e engine.Engine) string { return w.value(e, l) })
	return row
}

func (w *writer) value(e engine.Engine, l limit.Limit) string {
	v := e.Limits.At(l.Key)
	by := w.defaults[e.ID].At(l.Key)
	switch {
	case l.Key == limit.ZeroBand && math.IsNaN(w.zero[e.ID]):
		return "none: the transducer is too coarse to prove zero"
	case l.Key == limit.ZeroBand && math.IsNaN(v):
		return amount(round(w.zero[e.ID]), l.Unit) + ", its transducer's own"
	case l.Key == limit.ZeroBand:
		return amount(round(v), l.Unit) + ", set by the owner; a reading counts as zero inside ±" + amount(round(w.zero[e.ID]), l.Unit)
	case math.IsNaN(v):
		return "not set"
	case v != by:
		return amount(round(v), l.Unit) + ", set by the owner"
	}
	return amount(round(v), l.Unit)
}

func (w *writer) limits() []limitRow {
	used := map[limit.Key][]link{}
	use := func(k limit.Key, l link) {
		for _, u := range used[k] {
			if u.ID == l.ID {
				return
			}
		}
		used[k] = append(used[k], l)
	}
	needs := func(ids []telemetry.Channel, l link) {
		for _, id := range ids {
			use(freshKey(id), l)
		}
	}
	for _, d := range w.declared {
		l := link{ID: d.ID, Title: d.Title}
		for _, k := range d.Limits {
			use(k, l)
		}
		needs(d.Needs, l)
	}
	for _, d := range watch.Table() {
		l := link{ID: d.ID, Title: d.Title}
		for _, k := range d.Limits {
			use(k, l)
		}
		needs(d.Needs, l)
	}
	var out []limitRow
	for _, l := range w.table {
		row := w.row(l)
		row.Used = used[l.Key]
		out = append(out, row)
	}
	return out
}

func (w *writer) words() []word {
	var out []word
	for _, c := range confirmation.Table() {
		out = append(out, w.word(c))
	}
	return out
}

func (w *writer) word(c confirmation.Declaration) word {
	v := word{link: link{ID: c.ID, Title: c.Title}, Question: c.Question}
	if c.AfterS > 0 {
		v.Lapses = append(v.Lapses, lasting(c.AfterS)+" have passed since it was given")
	}
	if c.IdleS > 0 {
		v.Lapses = append(v.Lapses, lasting(c.IdleS)+" have passed without the blow-down pipe running")
	}
	for _, cause := range append(append([]confirmation.Cause(nil), c.Ends...), confirmation.TakenBack) {
		if text := cause.String(); len(v.Lapses) == 0 || v.Lapses[len(v.Lapses)-1] != text {
			v.Lapses = append(v.Lapses, text)
		}
	}
	for _, d := range w.declared {
		switch {
		case d.ByHand() && d.ID == c.ID:
			v.Steps = append(v.Steps, w.asking(d)...)
			v.Ways, v.NotYet = d.Ways, d.NotYet
			for _, k := range d.Limits {
				v.Limits = append(v.Limits, w.limit(k))
			}
		case d.Word == c.ID:
			v.Evidence = append(v.Evidence, link{ID: d.ID, Title: d.Title})
		}
	}
	if v.Ways == nil {
		d := evidence.Word(c.ID)
		v.Ways, v.NotYet = d.Ways, d.NotYet
	}
	v.InPlace = w.of(func(e engine.Engine) string {
		var of []string
		for _, d := range evidence.Table() {
			if e.ByWord[d.ID] == c.ID {
				of = append(of, d.Title)
			}
		}
		if len(of) == 0 {
			return ""
		}
		return "stands in the place of " + list(of) + " where that is not measured"
	})
	return v
}
