package watch

import (
	"ashlamp/rules/alarm"
	"ashlamp/rules/track"
)

// Board is all the watches of one engine with their alarms. Make it with [NewBoard].
// It is not safe for concurrent use.
type Board struct {
	Panel *alarm.Panel
	table []Declaration
	until track.Instant
	// off says of each watch why it has no limit to go by; empty where it has. An
	// engine's limits do not change.
	off []string
}

// NewBoard returns a board on which nothing is raised.
func NewBoard(engine string) (*Board, error) {
	b := &Board{table: Table(), until: track.Never}
	settings := make([]alarm.Settings, len(b.table))
	for i := range b.table {
		settings[i] = b.table[i].Settings()
	}
	var err error
	b.Panel, err = alarm.NewPanel(engine, settings)
	return b, err
}

// Evaluate judges every watch from what is known at now and appends what changed,
// what time alone changed before it first.
func (b *Board) Evaluate(k *Known, now track.Instant, out []alarm.Change) []alarm.Change {
	out = b.Panel.Advance(now, out)
	b.until = track.Never
	if b.off == nil {
		b.off = make([]string, len(b.table))
		for i := range b.table {
			b.off[i], _ = b.table[i].Off(k)
		}
	}
	for i := range b.table {
		d := &b.table[i]
		if why := b.off[i]; why != "" {
			out = b.Panel.Judge(now, i, alarm.Input{Suppressed: true, Why: why, Priority: d.Priority}, out)
			continue
		}
		in, until := d.Judge(k, now, b.Panel.At(i).In())
		if until > now {
			b.until = min(b.until, until)
		}
		out = b.Panel.Judge(now, i, in, out)
	}
	return out
}

// Table returns the declarations, in the order of the panel's alarms.
func (b *Board) Table() []Declaration { return b.table }

// Next returns the first moment at which time alone may change something, the ageing
// of samples and of findings aside, or [track.Never].
func (b *Board) Next() track.Instant { return min(b.until, b.Panel.Next()) }
