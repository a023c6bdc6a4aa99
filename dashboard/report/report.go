// Package report draws up one disposal on paper: A4, black on white, for the engine's
// file. It says first what was not proven, then shows the evening as one sheet, then
// tells it in tables: the steps, who gave their word, the alarms, the figures, the
// sensors, the limits, and the state of the engine's book.
//
// It tells what was judged that evening and judges nothing itself. What is not known
// says so, in words. The same [Evening] gives the same bytes.
//
// The pages are drawn with fpdf's own strokes. A plotting library would bring axes of
// its own beside which lanes and numbered words could not stand on one scale of time.
package report

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"time"

	"ashlamp/rules"
	"ashlamp/rules/alarm"
	"ashlamp/rules/cooldown"
	"ashlamp/rules/disposal"
	"ashlamp/rules/engine"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// MediaType is what [Write] writes.
const MediaType = "application/pdf"

// Points is in how many buckets a channel is to be summed up: a curve 150 mm long then
// has a bucket each third of a millimetre.
const Points = 480

// Evening is all that a report tells of one disposal. Times are UTC.
type Evening struct {
	// Shed is the shed's name.
	Shed string
	// Engine is as it is configured when the report is drawn up; Engine.Zone is the zone
	// of all times on paper, UTC where it is nil.
	Engine engine.Engine
	// ID is the disposal's.
	ID string
	// Begun and Ended are of the disposal; Ended is zero while it is open. Until is up to
	// when anything is told: Ended, or the last that is known of an open one.
	Begun, Ended, Until time.Time
	// HowBegun and HowEnded are as the book has them; HowEnded is empty while it is open.
	HowBegun, HowEnded disposal.Why
	// Verdicts are in order of time; those before Begun tell what stood then.
	Verdicts []verdict.Change
	// Said is what people said from Begun on, in order.
	Said []Said
	// Others are entries of the book of kinds that this report has no table for.
	Others []Other
	// Alarms are in order of time; those before Begun tell how they stood then.
	Alarms []alarm.Change
	// Passages are the phases, in order.
	Passages []rules.Passage
	// Summary is what was drawn up of the disposal; nil where nothing was.
	Summary *cooldown.Summary
	// Series are the channels in buckets over [Begun, Until).
	Series map[telemetry.Channel][]telemetry.Bucket
	// Tallies are of each channel of which there are samples, in order of name.
	Tallies []Tally
	Book    Book
}

// Said is what a person said, and when it ended where it was a confirmation.
type Said struct {
	telemetry.Event
	// After is how many of [Evening.Verdicts] were written into the book before it.
	After int
	// EndedAt is when it lapsed or was taken back; zero where it still stood at the end.
	EndedAt time.Time
	// EndedWhy ends the sentence "lapsed: …"; EndedBy is who took it back, else empty.
	EndedWhy, EndedBy string
}

// Other is an entry of the book of another kind. Text tells it in sentences; where it is
// empty, only that the entry is there is told.
type Other struct {
	At             time.Time
	Kind, By, Text string
}

// Tally is what came of one channel.
type Tally struct {
	Channel                telemetry.Channel
	Good, Uncertain, Bad   int
	First, Last            time.Time
	Lowest, Highest        float64 // of the samples that are not bad; NaN where there is none
	LongestFrom, LongestTo time.Time
	// Flaws are why samples were not good, the most frequent first.
	Flaws []Flaw
}

// Longest is the longest time without a sample, the ends of the disposal counted.
func (t Tally) Longest() time.Duration { return t.LongestTo.Sub(t.LongestFrom) }

// Flaw is a reason why samples were not good.
type Flaw struct {
	Quality     telemetry.Quality
	Reason      string
	Samples     int
	First, Last time.Time
}

// Book is the state of the engine's book as it stood at the end of the disposal.
type Book struct {
	// First is the number of the first entry of the disposal, Last that of the newest at
	// its end; 0 where there is none.
	First, Last uint64
	// At and Hash are of entry Last.
	At   time.Time
	Hash [sha256.Size]byte
	// Unbroken is that the chain from entry 1 to Last was followed and holds. Broken says
	// what was found where it does not.
	Unbroken bool
	Broken   string
}

// mark is as "ashlamp prove-book --noted" takes it.
func (b Book) mark() string { return fmt.Sprintf("%d:%s", b.Last, hex.EncodeToString(b.Hash[:])) }

// Write writes the report as PDF. It fails where a disposal has no beginning, or w does.
func Write(w io.Writer, e Evening) error {
	if e.Begun.IsZero() || !e.Until.After(e.Begun) {
		return fmt.Errorf("disposal %q of %s runs from %s to %s; nothing can be drawn of no time", e.ID, e.Engine.ID, e.Begun.Format(time.RFC3339), e.Until.Format(time.RFC3339))
	}
	if e.Engine.Zone == nil {
		e.Engine.Zone = time.UTC
	}
	// Twice: how many pages there are stands on each of them.
	first := newPaper(&e, 0)
	if err := first.draw(); err != nil {
		return err
	}
	p := newPaper(&e, first.pdf.PageCount())
	if err := p.draw(); err != nil {
		return err
	}
	return p.pdf.Output(w)
}
