// Package notify brings what is worth a ring to people's phones: surely, once, and only
// while it is true. What is worth a ring comes from rules/notice; the ways out are
// packages of their own.
package notify

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ashlamp/rules/notice"
)

// Message is what one person is told by one way.
type Message struct {
	// ID is the idempotency key: the same for every attempt at the same message, and for
	// no other. Tag is the cause: a phone shows one message a tag.
	ID, Tag string
	// To is the person's name as in the configuration. Way is by what, "mail", "webhook" or
	// "push/" and the browser's id; Address is the mail address, empty for the others.
	To, Way, Address string
	// Line is what a lock screen shows, at most [notice.LineMax] characters, the engine
	// first. Place is where the page goes when it is pressed, as "#/pit?engine=quillet".
	Line, Place string
	// Tail is the daemon's own sentence in the person's units, for a way that has room
	// for it; may be empty.
	Tail   string
	Notice notice.Notice
	// Until is when nobody wants to be told any more; Attempt counts from 1.
	Until   time.Time
	Attempt int
}

// Test is the kind of a message that a person asked for to see whether it comes. It is no
// cause, and tells nothing of any engine.
const Test notice.Kind = "test"

// Way is a way out. It is safe for concurrent use.
type Way interface {
	// Send hands the message over; it returns nil once the other side has taken it. An
	// error is a [*Later], wraps [ErrGone] or [ErrRefused], or is worth another attempt.
	Send(ctx context.Context, m Message) error
}

var (
	// ErrGone is that the address is no longer one: it is forgotten.
	ErrGone = errors.New("the address is gone")
	// ErrRefused is that this message will never be taken.
	ErrRefused = errors.New("refused for good")
	// ErrUnsent is that the other side certainly does not have it, although another attempt
	// may bring it there: it went wrong before anything of the message was sent. What went
	// wrong later may have been taken although nobody said so.
	ErrUnsent = errors.New("nothing of it was sent")
)

// Later is that the other side asks to be left alone for a while.
type Later struct {
	// After is how long; 0 means that it did not say.
	After time.Duration
	Err   error
}

// Error says what the other side said.
func (l *Later) Error() string {
	if l.After == 0 {
		return l.Err.Error()
	}
	return fmt.Sprintf("asked to wait %s: %v", l.After, l.Err)
}

// Unwrap returns the reason.
func (l *Later) Unwrap() error { return l.Err }
