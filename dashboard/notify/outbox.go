package notify

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"time"

	"ashlamp/rules/notice"
)

// State is what became of a letter.
type State string

// The states. Only a letter that waits comes into another.
const (
	// Waiting is that it is yet to be sent, or to be sent again.
	Waiting State = "waiting"
	// Taken is that the other side has it.
	Taken State = "taken"
	// NoLongerSo is that nobody wanted to be told any more before it could be sent.
	NoLongerSo State = "over"
	// GivenUp is that the other side will never take it.
	GivenUp State = "given-up"
)

// Letter is what one person is told by one way, as it is kept.
type Letter struct {
	// ID is the idempotency key, one for a cause, its turn, a person and a way.
	ID    string
	Cause string
	N     int
	// Person and Way are to whom, and by what.
	Person, Way string
	// Body is JSON of the office's own.
	Body json.RawMessage
	// Written is when it was, Due when it is next to be sent, Until when nobody wants to
	// be told any more.
	Written, Due, Until time.Time
	// Attempts is how often it was tried, Doubt how many of these may have been taken
	// although nobody said so.
	Attempts, Doubt int
	State           State
	// Ended is when it came into its last state, Failed when an attempt at it first
	// failed; zero where that is not so.
	Ended, Failed time.Time
	// Trouble is what the other side said last; empty where nothing was wrong.
	Trouble string
}

// Outcome is what an attempt at a letter came to.
type Outcome struct {
	At time.Time
	// State is what it comes to; Waiting where it is to be tried again at Due.
	State State
	Due   time.Time
	// Tried is that it was an attempt; Unsent that the other side certainly does not have it.
	Tried, Unsent bool
	Trouble       string
}

// Numbered is a notice and its number among all.
type Numbered struct {
	Seq uint64
	notice.Notice
}

// Record is how a way to a person has been doing: when the other side last took
// something, and since when it has not although it was tried; zero where that is not so.
type Record struct {
	Person, Way   string
	Taken, Failed time.Time
}

// Outbox is what the office needs of a store. Whatever it writes is on disk when the
// call returns.
type Outbox interface {
	// Notices returns at most limit notices after the number, in order, one that cannot be
	// read without a cause; Addressed up to which they have been addressed.
	Notices(ctx context.Context, after uint64, limit int) ([]Numbered, error)
	Addressed(ctx context.Context) (uint64, error)
	// DueLetters returns of each way to each person the letter that is to be sent next,
	// where one is due by the moment, those never tried first; NextDue when the next is due
	// after it.
	DueLetters(ctx context.Context, by time.Time) ([]Letter, error)
	NextDue(ctx context.Context, after time.Time) (time.Time, bool, error)
	// LettersTo returns the newest letters to a person, the newest first.
	LettersTo(ctx context.Context, person string, limit int) ([]Letter, error)
	Records(ctx context.Context) ([]Record, error)
	// Get returns what is kept under a key; false where nothing is.
	Get(ctx context.Context, key string) ([]byte, bool, error)
	// Update runs f in one transaction.
	Update(ctx context.Context, f func(Tx) error) error
	// Forget lets go of what was over before the moment.
	Forget(ctx context.Context, before time.Time) error
}

// Tx is a transaction of an [Outbox].
type Tx interface {
	Get(key string) ([]byte, bool, error)
	Put(key string, value []byte) error
	// LatestTurn returns the newest turn of a cause; false where nothing is kept of it.
	LatestTurn(cause string) (notice.Notice, bool, error)
	LettersOf(cause string) ([]Letter, error)
	// Address keeps the letters and that the notices up to the number are addressed. A
	// letter that is kept already is left as it is.
	Address(upTo uint64, letters []Letter) error
	// EndLetters ends what waits of a cause's turns before the one.
	EndLetters(cause string, before int, at time.Time) error
	// BeginLetter writes down that an attempt begins, and MarkLetter what it came to; both
	// return false where the letter waits no longer.
	BeginLetter(id string, due time.Time) (bool, error)
	MarkLetter(id string, o Outcome) (bool, error)
	// WayOpen says that a way to a person took something: what failed by it is due.
	WayOpen(person, way string, at time.Time) error
}

// body is what a letter says, made once, so that every attempt at it says the same.
type body struct {
	Tag   string `json:"tag"`
	Line  string `json:"line"`
	Tail  string `json:"tail,omitempty"`
	Place string `json:"place"`
	// Causes are those that were told under the tag.
	Causes []string      `json:"causes,omitempty"`
	Notice notice.Notice `json:"notice"`
}

// letterID names a letter the same whoever writes it, and tells nobody what it is made of.
func letterID(cause string, n int, to dest) string {
	// Encoded as a list, so that no two can run together. Strings and a number always encode.
	b, _ := json.Marshal([]any{cause, n, to.person, to.way})
	sum := sha256.Sum256(b)
	return base64.RawURLEncoding.EncodeToString(sum[:18])
}

// dest is a way to a person.
type dest struct{ person, way string }
