package export

import (
	"cmp"
	"container/heap"
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"time"

	"ashlamp/ingest/senml"
	"ashlamp/ingest/store"
	"ashlamp/rules"
	"ashlamp/rules/telemetry"
)

// mostInPack is how many samples stand in one line at most: a tenth of what the reader
// takes ([senml.MaxRecords]).
const mostInPack = 1000

// words are the kinds of the book's entries that a replay hears.
func words() []string {
	var out []string
	for _, k := range []telemetry.Kind{
		telemetry.Confirmed, telemetry.Withdrawn, telemetry.DisposalBegun, telemetry.DisposalEnded, telemetry.FireLit,
		telemetry.NodePutAway, telemetry.NodeBack, telemetry.AlarmAcknowledged, telemetry.AlarmShelved, telemetry.AlarmUnshelved,
		telemetry.RepairBooked, telemetry.RepairDone, telemetry.NextWanted, telemetry.LookedInto,
	} {
		out = append(out, k.String())
	}
	return out
}

// writeRecording writes packs, each with when it was received, and what people said,
// merged in order of that. It holds what came late until its turn.
func writeRecording(ctx context.Context, o *buffered, s source, engine string, from, to time.Time) error {
	said, stop := iter.Pull2(s.Book(ctx, engine, from, to, words()...))
	defer stop()
	entry, err, more := said()
	if err != nil {
		return err
	}
	until := func(at time.Time) error {
		for more && !entry.At.After(at) {
			line, err := lineOf(entry)
			if err != nil {
				return err
			}
			o.b = append(append(o.b, line...), '\n')
			if err := o.line(); err != nil {
				return err
			}
			if entry, err, more = said(); err != nil {
				return err
			}
		}
		return nil
	}
	var pack []telemetry.Sample
	var at time.Time
	flush := func() error {
		if len(pack) == 0 {
			return nil
		}
		// What was said at the very moment of a receipt came before it: the judgement hears
		// words at once, and samples once they are on disk.
		if err := until(at); err != nil {
			return err
		}
		o.b = append(appendTime(append(o.b, `{"t":"`...), at), `","pack":`...)
		b, err := senml.AppendJSON(nil, pack)
		if err != nil {
			return err
		}
		o.b = append(append(o.b, b...), '}', '\n')
		pack = pack[:0]
		return o.line()
	}
	take := func(r store.Record) error {
		if !r.Received.Equal(at) || len(pack) >= mostInPack {
			if err := flush(); err != nil {
				return err
			}
			at = r.Received
		}
		pack = append(pack, r.Sample)
		return nil
	}
	var held arrivals
	for r, err := range s.All(ctx, engine, from, to) {
		if err != nil {
			return err
		}
		// None that follows was received before this.
		for len(held.rows) > 0 && held.rows[0].Received.Before(r.At.Add(-rules.MaxAheadS*time.Second)) {
			if err := take(heap.Pop(&held).(arrival).Record); err != nil {
				return err
			}
		}
		held.came++
		heap.Push(&held, arrival{r, held.came})
	}
	for len(held.rows) > 0 {
		if err := take(heap.Pop(&held).(arrival).Record); err != nil {
			return err
		}
	}
	if err := flush(); err != nil {
		return err
	}
	if to.IsZero() {
		to = time.Unix(1<<40, 0)
	}
	return until(to)
}

// arrivals is a heap of samples by when they came, then in order of their own times.
type arrivals struct {
	rows []arrival
	came int
}

type arrival struct {
	store.Record
	number int
}

func (a *arrivals) Len() int      { return len(a.rows) }
func (a *arrivals) Swap(i, j int) { a.rows[i], a.rows[j] = a.rows[j], a.rows[i] }
func (a *arrivals) Push(x any)    { a.rows = append(a.rows, x.(arrival)) }

func (a *arrivals) Less(i, j int) bool {
	return cmp.Or(a.rows[i].Received.Compare(a.rows[j].Received), cmp.Compare(a.rows[i].number, a.rows[j].number)) < 0
}

func (a *arrivals) Pop() any {
	last := len(a.rows) - 1
	x := a.rows[last]
	a.rows = a.rows[:last]
	return x
}

// line is what a person said, as a replay reads it.
type line struct {
	T           time.Time       `json:"t"`
	Confirm     string          `json:"confirm,omitempty"`
	Withdraw    string          `json:"withdraw,omitempty"`
	Disposal    string          `json:"disposal,omitempty"`
	LayUp       telemetry.LayUp `json:"lay_up,omitempty"`
	Fire        string          `json:"fire,omitempty"`
	Node        string          `json:"node,omitempty"`
	PutAway     *bool           `json:"put_away,omitempty"`
	Acknowledge string          `json:"acknowledge,omitempty"`
	Shelve      string          `json:"shelve,omitempty"`
	Unshelve    string          `json:"unshelve,omitempty"`
	Repair      string          `json:"repair,omitempty"`
	Done        bool            `json:"done,omitempty"`
	Wanted      *time.Time      `json:"wanted,omitempty"`
	LookedInto  bool            `json:"looked_into,omitempty"`
	Until       *time.Time      `json:"until,omitempty"`
	Why         string          `json:"why,omitempty"`
	By          string          `json:"by,omitempty"`
}

func lineOf(e store.BookEntry) ([]byte, error) {
	var ev telemetry.Event
	if err := json.Unmarshal(e.Body, &ev); err != nil {
		return nil, fmt.Errorf("read entry %d of the book: %w", e.Seq, err)
	}
	l := line{T: e.At, By: ev.By, Why: ev.Why}
	if !ev.Until.IsZero() && ev.Kind != telemetry.NextWanted {
		l.Until = &ev.Until
	}
	yes, no := true, false
	switch ev.Kind {
	case telemetry.Confirmed:
		l.Confirm = ev.Subject
	case telemetry.Withdrawn:
		l.Withdraw = ev.Subject
	case telemetry.DisposalBegun:
		l.Disposal, l.LayUp = "begin", ev.LayUp
	case telemetry.DisposalEnded:
		l.Disposal = "end"
	case telemetry.FireLit:
		l.Fire = "lit"
	case telemetry.NodePutAway:
		l.Node, l.PutAway = ev.Subject, &yes
	case telemetry.NodeBack:
		l.Node, l.PutAway = ev.Subject, &no
	case telemetry.AlarmAcknowledged:
		l.Acknowledge = ev.Subject
	case telemetry.AlarmShelved:
		l.Shelve = ev.Subject
	case telemetry.AlarmUnshelved:
		l.Unshelve = ev.Subject
	case telemetry.RepairBooked:
		l.Repair = ev.Subject
	case telemetry.RepairDone:
		l.Repair, l.Done = ev.Subject, true
	case telemetry.NextWanted:
		// Without an end nobody knows when: a replay has no line for that, and nothing
		// that it judges hangs on it.
		if ev.Until.IsZero() {
			return fmt.Appendf(nil, `{"t":%q}`, e.At.Format(time.RFC3339Nano)), nil
		}
		l.Wanted = &ev.Until
	case telemetry.LookedInto:
		l.LookedInto = true
	}
	return json.Marshal(l)
}
