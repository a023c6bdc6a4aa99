package fire

import (
	"math"
	"testing"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

const t0 = track.Instant(1_935_586_800_000_000)

// box is a firebox that is told its temperature every ten seconds.
type box struct {
	*Fire
	track  *track.Track
	now    float64
	events []Event
}

func newBox() *box {
	t := track.New(telemetry.Firebox, 60)
	return &box{Fire: New(t, 30), track: t}
}

func (b *box) tell(tC float64) {
	at := t0.Add(b.now)
	b.track.Add(telemetry.Sample{Channel: telemetry.Firebox, At: at.Time(), Value: tC, Quality: telemetry.Good})
	if e := b.Next(at, tC); e != Nothing {
		b.events = append(b.events, e)
	}
}

// ramp goes from one temperature to another over so many seconds.
func (b *box) ramp(from, to, over float64) {
	for s := 0.0; s <= over; s += 10 {
		b.tell(from + (to-from)*s/over)
		b.now += 10
	}
}

func (b *box) has(e Event) bool {
	for _, got := range b.events {
		if got == e {
			return true
		}
	}
	return false
}

func TestADroppedFireIsSeen(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(b *box)
		want bool
	}{
		{"150 K from over 500 °C", func(b *box) { b.ramp(900, 900, 600); b.ramp(900, 749, 300) }, true},
		{"a kelvin less", func(b *box) { b.ramp(900, 900, 600); b.ramp(900, 751, 300) }, false},
		{"slower than half an hour", func(b *box) { b.ramp(900, 900, 600); b.ramp(900, 740, 3600) }, false},
		{"never as hot as 500 °C", func(b *box) { b.ramp(499, 499, 600); b.ramp(499, 200, 300) }, false},
		{"already seen", func(b *box) { b.ramp(900, 600, 600); b.events = nil; b.ramp(600, 300, 600) }, false},
		{"hot again and fallen again", func(b *box) {
			b.ramp(900, 600, 600)
			b.ramp(600, 900, 600)
			b.ramp(900, 900, 1900)
			b.events = nil
			b.ramp(900, 700, 600)
		}, true},
		{"not after it was said to be dropped", func(b *box) { b.ramp(900, 900, 600); b.Dropped(); b.ramp(900, 600, 600) }, false},
		{"a silent hour before it", func(b *box) { b.ramp(900, 900, 600); b.now += 3600; b.ramp(500, 400, 600) }, false},
	} {
		b := newBox()
		tt.do(b)
		if got := b.has(Fell); got != tt.want {
			t.Errorf("%s: fell is %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestAFireThatComesBackIsSeen(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(b *box)
		want bool
	}{
		{"30 K over its lowest for 3 min", func(b *box) { b.ramp(300, 200, 600); b.ramp(230, 230, 190) }, true},
		{"a kelvin less", func(b *box) { b.ramp(300, 200, 600); b.ramp(229, 229, 600) }, false},
		{"10 s short of 3 min", func(b *box) { b.ramp(300, 200, 600); b.ramp(230, 230, 170) }, false},
		{"brick gives back its heat and cools again", func(b *box) { b.ramp(300, 200, 600); b.ramp(245, 225, 600) }, false},
		{"back under it in between", func(b *box) {
			b.ramp(300, 200, 600)
			b.ramp(230, 230, 100)
			b.tell(220)
			b.now += 10
			b.ramp(230, 230, 100)
		}, false},
		{"lit while nobody listened, found burning down", func(b *box) { b.ramp(300, 40, 600); b.now += 86400; b.ramp(600, 380, 3600) }, true},
		{"a node away for ten minutes while it cools", func(b *box) { b.ramp(300, 200, 600); b.now += 600; b.ramp(180, 160, 600) }, false},
		{"a node away for ten minutes, a little warmer after", func(b *box) { b.ramp(300, 200, 600); b.now += 600; b.ramp(229, 190, 1200) }, false},
		{"hotter after a gap, but for a moment", func(b *box) { b.ramp(300, 200, 600); b.now += 600; b.ramp(250, 210, 60); b.ramp(210, 200, 600) }, false},
		{"not after a fire was said to be lit", func(b *box) { b.ramp(300, 200, 600); b.Lit(); b.ramp(230, 600, 600) }, false},
	} {
		b := newBox()
		b.Dropped()
		tt.do(b)
		_, relit := b.Relit()
		if relit != tt.want || b.has(Relit) != tt.want {
			t.Errorf("%s: relit is %v, told %v; want %v", tt.name, relit, b.has(Relit), tt.want)
		}
		if relit && b.Out() {
			t.Errorf("%s: relit, and still meant to be out", tt.name)
		}
	}
}

func TestWhatIsSaidOfAFire(t *testing.T) {
	b := newBox()
	if b.Out() {
		t.Error("out before anything was said")
	}
	b.Dropped()
	if !b.Out() {
		t.Error("not out after it was dropped")
	}
	b.ramp(300, 200, 600)
	b.ramp(240, 300, 300)
	if _, relit := b.Relit(); !relit {
		t.Fatal("not relit")
	}
	b.Dropped()
	if _, relit := b.Relit(); relit || !b.Out() {
		t.Error("dropped again: still relit, or not out")
	}
	b.ramp(300, 290, 300)
	if _, relit := b.Relit(); relit {
		t.Error("relit against a lowest from before it was dropped again")
	}
}

func TestNaNIsNoFireAndHidesNone(t *testing.T) {
	b := newBox()
	b.Dropped()
	b.ramp(300, 200, 600)
	if e := b.Next(t0.Add(b.now), math.NaN()); e != Nothing {
		t.Errorf("NaN made plain %d, want nothing", e)
	}
}
