package neighbour_test

import (
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/ingest/door"
	"ashlamp/ingest/door/doortest"
	"ashlamp/ingest/neighbour"
	"ashlamp/rules/silence"
)

const here = "sheds/millrace/daemon/here"

var at = time.Date(2031, 5, 4, 17, 2, 0, 0, time.UTC)

// heard is what a listener told.
type heard struct {
	mu    sync.Mutex
	words []silence.Word
	link  bool
	log   strings.Builder
}

func (h *heard) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.log.Write(b)
}

func (h *heard) has(ok func() bool) func() bool {
	return func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return ok()
	}
}

func (h *heard) config(broker string) neighbour.Config {
	return neighbour.Config{
		Shed: "millrace", Broker: broker, ClientID: "ashlamp-fernhollow-hears-millrace", Log: slog.New(slog.NewTextHandler(h, nil)),
		Heard: func(w silence.Word) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.words = append(h.words, w)
		},
		Link: func(up bool) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.link = up
		},
	}
}

func listen(t *testing.T, c neighbour.Config) {
	t.Helper()
	l, err := neighbour.New(c)
	if err != nil {
		t.Fatal(err)
	}
	doortest.Background(t, l.Run)
}

func TestWordsOfARealBroker(t *testing.T) {
	m := doortest.StartMosquitto(t, "")
	daemon := doortest.Node(t, m.URL(), "ashlamp-millrace", func(o *paho.ClientOptions) { o.SetBinaryWill(here, []byte(door.LastWill), 1, true) })
	doortest.Send(t, daemon, here, 1, true, door.Status(true, at))
	h := &heard{}
	listen(t, h.config(m.URL()))
	count := func(n int) {
		t.Helper()
		doortest.Until(t, "a word to be heard", h.has(func() bool { return len(h.words) >= n }))
	}
	count(1)
	doortest.Send(t, daemon, here, 1, true, door.Status(true, at.Add(10*time.Second)))
	count(2)
	for _, nonsense := range []string{"", "on", `{"up":"yes"}`, `{}`, `{"up":true,"t":17}`, `{"up":true,"x":"` + strings.Repeat("x", 5000) + `"}`} {
		doortest.Send(t, daemon, here, 1, false, nonsense)
	}
	doortest.Send(t, daemon, here, 1, true, door.Status(false, at.Add(20*time.Second)))
	count(3)
	daemon.Drop() // as by kill -9
	count(4)
	h.mu.Lock()
	want := []silence.Word{
		{Up: true, At: at, Until: at.Add(door.StatusFor), Kept: true},
		{Up: true, At: at.Add(10 * time.Second), Until: at.Add(10*time.Second + door.StatusFor)},
		{At: at.Add(20 * time.Second)},
		{},
	}
	if !slices.Equal(h.words, want) {
		t.Errorf("heard %+v\nwant %+v", h.words, want)
	}
	if n := strings.Count(h.log.String(), "cannot be read"); n != 5 {
		t.Errorf("%d words could not be read, want 5:\n%s", n, h.log.String())
	}
	linked := h.link
	h.mu.Unlock()
	if !linked {
		t.Error("there is no link to a broker that answers")
	}
	// The broker dies and comes back, and what it had kept with it.
	m.Kill()
	doortest.Until(t, "the link to be gone", h.has(func() bool { return !h.link }))
	m.Start()
	doortest.Until(t, "the link to be back", h.has(func() bool { return h.link }))
	again := doortest.Node(t, m.URL(), "ashlamp-millrace", nil)
	doortest.Send(t, again, here, 1, true, door.Status(true, at.Add(time.Hour)))
	doortest.Until(t, "the word after it", h.has(func() bool {
		return slices.Contains(h.words, silence.Word{Up: true, At: at.Add(time.Hour), Until: at.Add(time.Hour + door.StatusFor)})
	}))
}

// TestABrokerThatRefuses: one on which no word could come is no link, and says why once.
func TestABrokerThatRefuses(t *testing.T) {
	m := doortest.StartMosquitto(t, "allow_anonymous false")
	h := &heard{}
	listen(t, h.config(m.URL()))
	doortest.Until(t, "the refusal to be said", h.has(func() bool { return strings.Contains(h.log.String(), "is not heard") }))
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.link || len(h.words) > 0 {
		t.Errorf("link %t, heard %v; want neither", h.link, h.words)
	}
	if !strings.Contains(strings.ToLower(h.log.String()), "not authori") {
		t.Errorf("the log does not say why:\n%s", h.log.String())
	}
}

func TestWhatCannotBeListenedFor(t *testing.T) {
	h := &heard{}
	for _, edit := range []func(*neighbour.Config){
		func(c *neighbour.Config) { c.Shed = "mill/+" },
		func(c *neighbour.Config) { c.Shed = "" },
		func(c *neighbour.Config) { c.ClientID = "" },
		func(c *neighbour.Config) { c.Broker = "http://millrace" },
		func(c *neighbour.Config) { c.Heard = nil },
	} {
		c := h.config("mqtt://127.0.0.1")
		edit(&c)
		if _, err := neighbour.New(c); err == nil {
			t.Errorf("%+v is taken", c)
		}
	}
}
