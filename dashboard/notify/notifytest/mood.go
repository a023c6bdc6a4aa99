package notifytest

import (
	"fmt"
	"net/http"
	"time"
)

// Mood is how a far end answers.
type Mood int

// The moods.
const (
	// Takes is that it takes what comes.
	Takes Mood = iota
	// Busy is that it asks to be left alone for [BusyFor].
	Busy
	// Gone is that the address is no longer one.
	Gone
	// Refuses is that it never takes this message.
	Refuses
	// Fails is that it breaks down over it.
	Fails
)

// BusyFor is for how long a far end that is busy asks to be left alone, where its protocol
// has words for it.
const BusyFor = 90 * time.Second

// String names the mood.
func (m Mood) String() string {
	return [...]string{"takes", "is busy", "is gone", "refuses", "fails"}[m]
}

// answer answers in HTTP.
func (m Mood) answer(w http.ResponseWriter, _ *http.Request) {
	switch m {
	case Busy:
		w.Header().Set("Retry-After", fmt.Sprint(int(BusyFor/time.Second)))
		http.Error(w, "too many at once", http.StatusTooManyRequests)
	case Gone:
		http.Error(w, "nobody here any more", http.StatusGone)
	case Refuses:
		http.Error(w, "too large for us", http.StatusRequestEntityTooLarge)
	case Fails:
		http.Error(w, "we broke down", http.StatusInternalServerError)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}
