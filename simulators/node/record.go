package node

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/simulators/boiler"
	"ashlamp/simulators/crew"
	"ashlamp/simulators/world"
)

// Recorder is a [Carrier], and what the crew says things to, that writes the
// lines that replay reads. The first error of the writer is kept and returned by
// every later call.
type Recorder struct {
	w   *bufio.Writer
	buf []byte
	err error
}

// NewRecorder returns a recorder; call Close to flush it.
func NewRecorder(w io.Writer) *Recorder { return &Recorder{w: bufio.NewWriter(w)} }

// Carry writes a pack as one line: bare where its own time is that of its
// sending, else with the time of sending beside it.
func (r *Recorder) Carry(_ context.Context, p Pack) error {
	b := r.buf[:0]
	bare := len(p.Samples) > 0 && p.Samples[0].At.Equal(p.Sent)
	if !bare {
		b = append(b, `{"t":"`...)
		b = p.Sent.AppendFormat(b, time.RFC3339Nano)
		b = append(b, `","pack":`...)
	}
	b = AppendSenML(b, p.Samples)
	if !bare {
		b = append(b, '}')
	}
	r.buf = append(b, '\n')
	return r.write(r.buf)
}

// Say writes an event as one line.
func (r *Recorder) Say(_ context.Context, e telemetry.Event) error {
	line := struct {
		T        string          `json:"t"`
		Confirm  string          `json:"confirm,omitempty"`
		Withdraw string          `json:"withdraw,omitempty"`
		Disposal string          `json:"disposal,omitempty"`
		LayUp    telemetry.LayUp `json:"lay_up,omitempty"`
		Fire     string          `json:"fire,omitempty"`
		By       string          `json:"by,omitempty"`
	}{T: e.At.UTC().Format(time.RFC3339Nano), By: e.By, LayUp: e.LayUp}
	switch e.Kind {
	case telemetry.Confirmed:
		line.Confirm = e.Subject
	case telemetry.Withdrawn:
		line.Withdraw = e.Subject
	case telemetry.DisposalBegun:
		line.Disposal = "begin"
	case telemetry.DisposalEnded:
		line.Disposal = "end"
	case telemetry.FireLit:
		line.Fire = "lit"
	default:
		return fmt.Errorf("an event of kind %s has no line in a recording; record it otherwise", e.Kind)
	}
	b, err := json.Marshal(line)
	if err != nil {
		return err
	}
	return r.write(append(b, '\n'))
}

func (r *Recorder) write(b []byte) error {
	if r.err == nil {
		_, r.err = r.w.Write(b)
	}
	return r.err
}

// Close writes what is still buffered.
func (r *Recorder) Close() error {
	if r.err == nil {
		r.err = r.w.Flush()
	}
	return r.err
}

// Recording says what to record. The zero value of all but Engine is usable.
type Recording struct {
	Engine world.Engine
	Seed   uint64
	// Fault is one of [world.Faults]; empty for none.
	Fault string
	// Lamp is what the crew looks at; nil for a crew that goes by its own senses
	// and waits longer than the rules would.
	Lamp crew.Lamp
	// Also, if not nil, hears everything besides the recording, in order: the
	// rules that a lamp rests on.
	Also interface {
		Carrier
		crew.Sayer
	}
	Intervals Intervals
	// Linger is how long it goes on after the engine is housed, Limit how long at
	// most; 0 is 24 h.
	Linger, Limit time.Duration
}

type both struct {
	*Recorder
	also interface {
		Carrier
		crew.Sayer
	}
}

func (b both) Carry(ctx context.Context, p Pack) error {
	if err := b.Recorder.Carry(ctx, p); err != nil || b.also == nil {
		return err
	}
	return b.also.Carry(ctx, p)
}

func (b both) Say(ctx context.Context, e telemetry.Event) error {
	if err := b.Recorder.Say(ctx, e); err != nil || b.also == nil {
		return err
	}
	return b.also.Say(ctx, e)
}

// Record writes one disposal, from arrival to housed, as replay reads it. The
// same recording gives the same bytes.
func Record(ctx context.Context, w io.Writer, o Recording) error {
	props, err := boiler.NewProperties()
	if err != nil {
		return err
	}
	r := both{NewRecorder(w), o.Also}
	made, err := world.New(o.Engine, props, o.Seed, o.Lamp, r)
	if err != nil {
		return err
	}
	if o.Fault != "" {
		if err := made.Inject(o.Fault); err != nil {
			return err
		}
	}
	if o.Intervals == (Intervals{}) {
		o.Intervals = Usual()
	}
	if o.Limit == 0 {
		o.Limit = 24 * time.Hour
	}
	n := New(made, r, o.Intervals, o.Seed)
	n.Linger = o.Linger
	end := o.Engine.Start.Add(o.Limit)
	over := errors.New("over")
	n.Pace = func(_ context.Context, date time.Time) error {
		if date.After(end) {
			return over
		}
		return nil
	}
	if err := n.Run(ctx); err != nil && !errors.Is(err, over) {
		return err
	}
	return r.Close()
}
