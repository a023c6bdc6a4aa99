package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	netmail "net/mail"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"ashlamp/daemon/app"
	"ashlamp/daemon/clock"
	"ashlamp/daemon/config"
	"ashlamp/dashboard/message"
	"ashlamp/dashboard/notify/notifytest"
	"ashlamp/dashboard/page"
	"ashlamp/ingest/store"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// ringingEnv says that the test binary is to be the daemon as it is shipped, of the
// configuration file that it names. A notice in JSON, a line on its standard input, is
// kept as a judgement's is, and answered with its cause and turn once it is on disk.
const ringingEnv = "ASHLAMP_TEST_RINGING"

func ringingDaemon(file string, in io.Reader, out io.Writer) error {
	c, err := config.Read(file)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	a, err := app.New(ctx, app.Options{
		Config: c, Data: filepath.Dir(file), Page: page.Files(), Clock: clock.Board{}, Random: random(),
		Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})),
	})
	if err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		var n notice.Notice
		if err := json.Unmarshal(lines.Bytes(), &n); err != nil {
			return err
		}
		if err := a.Tell(ctx, n); err != nil {
			return err
		}
		if _, err := fmt.Fprintln(out, n.Cause, n.N); err != nil {
			return err
		}
	}
	cancel()
	return <-ended
}

// ringer is such a daemon, seen from outside. It is killed and started again by one, and
// told of notices by another.
type ringer struct {
	t          testing.TB
	file, page string
	authority  string

	mu   sync.Mutex
	cmd  *exec.Cmd
	in   io.WriteCloser
	acks chan string   // of the process that runs; closed once it is dead
	up   chan struct{} // closed once there is another
	// kills is how often it was killed.
	kills int
}

func (r *ringer) start() {
	r.t.Helper()
	exe, err := os.Executable()
	if err != nil {
		r.t.Fatal(err)
	}
	c := exec.Command(exe)
	// The push service's authority is one that only this daemon trusts.
	c.Env = append(os.Environ(), ringingEnv+"="+r.file, "SSL_CERT_FILE="+r.authority)
	c.Stderr = &logOf{t: r.t}
	in, err := c.StdinPipe()
	if err != nil {
		r.t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		r.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		r.t.Fatal(err)
	}
	acks := make(chan string, 100)
	go func() {
		defer close(acks)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			acks <- lines.Text()
		}
	}()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cmd, r.in, r.acks = c, in, acks
	close(r.up)
	r.up = make(chan struct{})
}

// kill kills it as a loss of power would, and starts it again.
func (r *ringer) kill() {
	r.t.Helper()
	r.mu.Lock()
	c := r.cmd
	r.kills++
	r.mu.Unlock()
	_ = c.Process.Kill()
	_ = c.Wait()
	r.start()
}

// stop asks it to end, and waits until it has.
func (r *ringer) stop() {
	r.t.Helper()
	r.mu.Lock()
	c, in := r.cmd, r.in
	r.mu.Unlock()
	_ = in.Close()
	if err := c.Wait(); err != nil {
		r.t.Errorf("asked to end, the daemon ended with %v", err)
	}
}

// tell has a notice kept, by as many processes as it takes, and returns when it was known
// to be.
func (r *ringer) tell(n notice.Notice) time.Time {
	r.t.Helper()
	b, err := json.Marshal(n)
	if err != nil {
		r.t.Fatal(err)
	}
	key := fmt.Sprint(n.Cause, " ", n.N)
	for {
		r.mu.Lock()
		in, acks, up := r.in, r.acks, r.up
		r.mu.Unlock()
		if _, err := in.Write(append(b, '\n')); err == nil {
			for ack := range acks {
				if ack == key {
					return time.Now()
				}
			}
		}
		select {
		case <-up:
		case <-r.t.Context().Done():
			r.t.Fatal("the daemon does not come back")
		}
	}
}

// call calls the daemon once it answers.
func (r *ringer) call(method, path string, body, into any) {
	r.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		r.t.Fatal(err)
	}
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(patience); ; <-tick.C {
		q, err := http.NewRequest(method, "http://"+r.page+"/api/v1"+path, bytes.NewReader(b))
		if err != nil {
			r.t.Fatal(err)
		}
		if body != nil {
			q.Header.Set("Content-Type", "application/json")
		}
		a, err := http.DefaultClient.Do(q)
		if err != nil {
			if time.Now().After(deadline) {
				r.t.Fatal(err)
			}
			continue
		}
		got, err := io.ReadAll(a.Body)
		_ = a.Body.Close()
		if err != nil || a.StatusCode >= 300 {
			r.t.Fatalf("%s %s: %d %s, %v", method, path, a.StatusCode, got, err)
		}
		if into != nil {
			if err := json.Unmarshal(got, into); err != nil {
				r.t.Fatal(err)
			}
		}
		return
	}
}

var waitingLetters = regexp.MustCompile(`(?m)^ashlamp_letters_waiting (\d+)`)

// waiting returns how many messages are yet to be taken.
func (r *ringer) waiting() int {
	r.t.Helper()
	a, err := http.Get("http://" + r.page + "/metrics")
	if err != nil {
		r.t.Fatal(err)
	}
	defer func() { _ = a.Body.Close() }()
	b, err := io.ReadAll(a.Body)
	m := waitingLetters.FindSubmatch(b)
	if err != nil || m == nil {
		r.t.Fatalf("/metrics does not say how many messages wait: %d %s %v", a.StatusCode, b, err)
	}
	n, err := strconv.Atoi(string(m[1]))
	if err != nil {
		r.t.Fatal(err)
	}
	return n
}

// Who is told, and by what.
const (
	custodian, fitter = "R. Penhalow", "T. Oxley"
)

// ringingFile writes a configuration that rings by all ways, over networks that can be cut.
func ringingFile(t *testing.T, page, authority, mailAddress, hookAddress string, secret []byte, user, password string) string {
	t.Helper()
	dir := t.TempDir()
	put := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	host, port, err := net.SplitHostPort(mailAddress)
	if err != nil {
		t.Fatal(err)
	}
	return put("shed.toml", fmt.Sprintf(`
[shed]
id = "fernhollow"
name = "Fernhollow shed"
timezone = "Europe/London"
people = [%q, %q]
[http]
listen = %q
[mqtt]
listen = %q
[[engine]]
id = "quillet"
working_pressure_bar = 10
boiler_volume_l = 400
[[engine.channel]]
id = "boiler.pressure"
range = ["-1 bar", "16 bar"]
[notify.push]
subject = "mailto:custodian@fernhollow.example"
[notify.mail]
host = %q
port = %s
user = %q
password_file = %q
from = "shed@fernhollow.example"
ca_file = %q
[notify.webhook]
url = "https://%s/ring"
secret_file = %q
ca_file = %q
`, custodian, fitter, page, free(t), host, port, user, put("mail-password", password), authority,
		hookAddress, put("secret", "whsec_"+base64.StdEncoding.EncodeToString(secret)), authority))
}

// came is one message at a far end, or in a browser.
type came struct {
	cause, turn string
	n           int
	// where is the person and way, key by what a repeat is known; attempt is what it says
	// of itself, 0 where it says nothing.
	where, key string
	attempt    int
	// sent is when it was, as near as the far end can tell.
	sent time.Time
}

var inSubject = regexp.MustCompile(`cause (\d+) at turn (\d+)`)

// mailed is what a mail tells, and false where it is a test's press.
func mailed(t *testing.T, m *netmail.Message) (came, bool) {
	t.Helper()
	of := inSubject.FindStringSubmatch(m.Header.Get("Subject"))
	if of == nil {
		return came{}, false
	}
	c := came{cause: "quillet/alarm/chaos/" + of[1], where: custodian + " mail", key: m.Header.Get("Message-Id")}
	_, received, _ := strings.Cut(m.Header.Get("Received"), ";")
	var err [3]error
	c.n, err[0] = strconv.Atoi(of[2])
	c.attempt, err[1] = strconv.Atoi(m.Header.Get("X-Attempt"))
	c.sent, err[2] = netmail.ParseDate(strings.TrimSpace(received))
	if err := errors.Join(err[:]...); err != nil || c.key == "" {
		t.Fatalf("a mail with the head %v: %v", m.Header, err)
	}
	return c, true
}

// TestChaos rings for causes while networks, servers and the daemon itself are killed and
// started again at random. ASHLAMP_CHAOS is how many; "make chaos" asks for 1,000.
func TestChaos(t *testing.T) {
	causes := 60
	if v := os.Getenv("ASHLAMP_CHAOS"); v != "" {
		var err error
		if causes, err = strconv.Atoi(v); err != nil || causes < 1 {
			t.Fatalf("ASHLAMP_CHAOS=%s is no number of causes", v)
		}
	}
	seed := uint64(time.Now().UnixNano())
	if v := os.Getenv("ASHLAMP_CHAOS_SEED"); v != "" {
		var err error
		if seed, err = strconv.ParseUint(v, 10, 64); err != nil {
			t.Fatalf("ASHLAMP_CHAOS_SEED=%s is no seed", v)
		}
	}
	t.Logf("seed %d", seed)

	authority := notifytest.NewAuthority(t)
	secret := []byte("thirty-two bytes of the test's.")
	service := notifytest.NewPushService(t, authority)
	receiver := notifytest.NewReceiver(t, authority, secret, nil)
	server := notifytest.NewMailServer(t, authority, notifytest.MailOptions{})
	over := func(to string) *notifytest.Network { return notifytest.NewNetwork(t, to) }
	toPush, toHook := over(strings.TrimPrefix(service.URL(), "https://")), over(strings.TrimPrefix(receiver.URL(), "https://"))
	toMail := over(fmt.Sprintf("127.0.0.1:%d", server.Port))
	ca := authority.File(t)
	d := &ringer{t: t, page: free(t), authority: ca, up: make(chan struct{})}
	d.file = ringingFile(t, d.page, ca, toMail.Address(), toHook.Address(), secret, server.User, server.Password)
	d.start()
	t.Cleanup(func() {
		_ = d.cmd.Process.Kill()
		_ = d.cmd.Wait()
	})

	// Both have a phone; one is mailed too, and for the other the webhook sends a text.
	browsers := map[string]string{} // whose
	for i, person := range []string{custodian, fitter} {
		at := "/people/" + url.PathEscape(person) + "/alerts"
		var a message.Alerts
		d.call("GET", at, nil, &a)
		b := service.Subscribe(a.PushKey)
		u, err := url.Parse(b.Endpoint)
		if err != nil {
			t.Fatal(err)
		}
		u.Host = toPush.Address()
		d.call("POST", at+"/browsers", message.AlertsBrowser{Name: "Phone", Endpoint: u.String(), P256dh: b.P256dh, Auth: b.Auth}, nil)
		browsers[b.ID] = person
		c := message.AlertsChoice{Kinds: []notice.Kind{notice.Alarm}, Lowest: alarm.Low, Pressure: "bar", Temperature: "C"}
		if c.Webhook = i == 1; i == 0 {
			c.Mail = "penhalow@fernhollow.example"
		}
		d.call("PUT", at, message.AlertsPut{Choice: c.Whole()}, nil)
	}

	stop := make(chan struct{})
	var all sync.WaitGroup
	// each does something again and again, at moments drawn at random, until it is calm.
	each := func(n uint64, least, most time.Duration, do func(r *rand.Rand)) {
		r := rand.New(rand.NewPCG(seed, n))
		all.Go(func() {
			for {
				moment := time.NewTimer(least + time.Duration(r.Int64N(int64(most-least))))
				select {
				case <-moment.C:
					do(r)
				case <-stop:
					moment.Stop()
					return
				}
			}
		})
	}
	cuts := 0
	var count sync.Mutex
	for i, n := range []*notifytest.Network{toPush, toHook, toMail} {
		each(uint64(10+i), 100*time.Millisecond, 2*time.Second, func(r *rand.Rand) {
			lines := []notifytest.Line{notifytest.Open, notifytest.Open, notifytest.Open, notifytest.Refused, notifytest.Mute, notifytest.Cut, notifytest.OneWay, notifytest.OneWay}
			n.Set(lines[r.IntN(len(lines))])
			count.Lock()
			cuts++
			count.Unlock()
		})
	}
	servers := 0
	for i, far := range []interface {
		Start()
		Kill()
	}{service, receiver, server} {
		down := false
		each(uint64(20+i), 500*time.Millisecond, 3*time.Second, func(r *rand.Rand) {
			if down {
				down = false
				far.Start()
				return
			}
			if down = r.IntN(5) < 2; !down {
				return
			}
			far.Kill()
			count.Lock()
			servers++
			count.Unlock()
		})
	}
	each(30, time.Second, 4*time.Second, func(*rand.Rand) { d.kill() })

	// The causes: some get worse, some are over soon, some after they got worse.
	r := rand.New(rand.NewPCG(seed, 1))
	type step struct {
		at   time.Duration
		n    notice.Notice
		told time.Time // when it was known to be kept
	}
	const apart = 200 * time.Millisecond
	var steps []*step
	begun := time.Now()
	final := map[string]notice.Notice{}
	kept := map[string][]*step{} // by cause, in order of turn
	for i := range causes {
		cause := fmt.Sprintf("quillet/alarm/chaos/%d", i)
		at := time.Duration(i) * apart
		add := func(turn notice.Turn, p alarm.Priority) {
			s := &step{at: at, n: notice.Notice{
				Cause: cause, N: len(kept[cause]) + 1, Turn: turn, Kind: notice.Alarm, Subject: "chaos", Engine: "quillet", Name: "Quillet",
				At: begun.Add(at).UTC(), Began: begun.Add(time.Duration(i) * apart).UTC(), Priority: p,
				Facts: notice.Facts{Title: fmt.Sprintf("Cause %d at turn %d", i, len(kept[cause])+1), Action: "Look at it."},
			}}
			steps, kept[cause], final[cause] = append(steps, s), append(kept[cause], s), s.n
			at += 200*time.Millisecond + time.Duration(r.Int64N(int64(15*time.Second)))
		}
		fate := r.Float64()
		add(notice.Began, alarm.Medium)
		if fate < 0.3 {
			at += time.Second
			add(notice.Worse, alarm.High)
		}
		if fate < 0.15 || fate > 0.8 {
			add(notice.Over, alarm.Medium)
		}
	}
	slices.SortStableFunc(steps, func(a, b *step) int { return int(a.at - b.at) })
	for _, s := range steps {
		moment := time.NewTimer(time.Until(begun.Add(s.at)))
		<-moment.C
		s.told = d.tell(s.n)
	}
	close(stop)
	all.Wait()
	stormy := time.Since(begun)

	// Calm. Who mends a way presses its test, and what failed by it goes at once.
	service.Start()
	receiver.Start()
	server.Start()
	for _, n := range []*notifytest.Network{toPush, toHook, toMail} {
		n.Set(notifytest.Open)
	}
	for _, person := range []string{custodian, fitter} {
		at := "/people/" + url.PathEscape(person) + "/alerts"
		var a message.Alerts
		d.call("GET", at, nil, &a)
		for _, w := range a.Ways {
			if !w.Open || w.ID == "webhook" && person == custodian {
				continue
			}
			var l message.AlertsLetter
			if d.call("POST", at+"/test", message.AlertsTest{Way: w.ID}, &l); l.State != "taken" {
				t.Errorf("in the calm a test by %s to %s is %s: %s", w.ID, person, l.State, l.Trouble)
			}
		}
	}
	// collect returns all that came, in order of time for each place.
	collect := func() []came {
		var out []came
		for _, p := range service.Received() {
			out = append(out, came{p.Payload.Tag, p.Payload.Turn, p.Payload.N, browsers[p.Browser] + " push", p.Topic, 0, p.At})
		}
		for _, e := range receiver.Received() {
			var data struct {
				Tag     string        `json:"tag"`
				Attempt int           `json:"attempt"`
				Person  string        `json:"person"`
				Notice  notice.Notice `json:"notice"`
			}
			if err := json.Unmarshal(e.Data, &data); err != nil {
				t.Fatal(err)
			}
			s, err := strconv.ParseInt(e.Header.Get("Webhook-Timestamp"), 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, came{data.Tag, string(data.Notice.Turn), data.Notice.N, data.Person + " webhook", e.ID, data.Attempt, time.Unix(s, 0)})
		}
		// A server that was killed may lay a mail that it had taken into the box once more:
		// what it received once was sent once.
		received := map[string]bool{}
		for _, m := range server.Mails() {
			of := m.Header.Get("Received")
			if received[of] {
				continue
			}
			received[of] = true
			if c, ok := mailed(t, m.Message); ok {
				c.turn = string(kept[c.cause][c.n-1].n.Turn)
				out = append(out, c)
			}
		}
		return slices.DeleteFunc(out, func(c came) bool { return !strings.HasPrefix(c.cause, "quillet/alarm/chaos/") })
	}
	places := []string{custodian + " push", custodian + " mail", fitter + " push", fitter + " webhook"}
	// missing says what is yet to come: the newest turn of each cause everywhere; that it is
	// over only where something of it came.
	missing := func(got []came) (out []string) {
		last := map[string]int{}
		for _, c := range got {
			k := c.where + " " + c.cause
			last[k] = max(last[k], c.n)
		}
		for cause, n := range final {
			for _, where := range places {
				have := last[where+" "+cause]
				if have < n.N && (n.Turn != notice.Over || have > 0) {
					out = append(out, fmt.Sprintf("%s: turn %d of %s", where, n.N, cause))
				}
			}
		}
		slices.Sort(out)
		return out
	}
	got := collect()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(4 * time.Minute); (len(missing(got)) > 0 || d.waiting() > 0) && time.Now().Before(deadline); got = collect() {
		<-tick.C
	}
	got = collect() // what came while it was counted what waits
	if out := missing(got); len(out) > 0 {
		t.Errorf("%d messages never came, the first: %s", len(out), out[:min(len(out), 10)])
	}
	settled := time.Since(begun) - stormy
	d.stop()

	// Nothing waits, and each cause was told unless it was over before it could be.
	s, err := store.Open(t.Context(), filepath.Join(filepath.Dir(d.file), "ashlamp.db"), store.ReadOnly())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	reached := map[string]bool{}
	for _, c := range got {
		reached[c.cause] = true
	}
	letters, attempts, doubted, inTime := 0, 0, 0, 0
	for cause, n := range final {
		ls, err := s.LettersOf(t.Context(), cause)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range ls {
			letters, attempts = letters+1, attempts+l.Attempts
			if l.Doubt > 1 || l.Doubt == 1 && l.State != store.Taken {
				doubted++
			}
			if l.State == store.Waiting || l.State == store.GivenUp {
				t.Errorf("%s, turn %d to %s by %s is %s after %d attempts: %s", cause, l.N, l.Person, l.Way, l.State, l.Attempts, l.Trouble)
			}
		}
		if !reached[cause] {
			inTime++
			if n.Turn != notice.Over {
				t.Errorf("%s stands, and nobody was told of it", cause)
			}
		}
	}

	// None was false when it was sent: no later turn had been kept for longer than it
	// takes from the look to the far end.
	const slack = 3 * time.Second
	tags, keys, repeats := map[string]string{}, map[string]string{}, 0
	attemptsOf := map[string][]int{}
	shown := map[string]int{} // what a phone shows, by person and tag
	for _, c := range got {
		turns := kept[c.cause]
		if c.n < 1 || c.n > len(turns) || string(turns[c.n-1].n.Turn) != c.turn {
			t.Errorf("%s was told turn %d of %s, %q, and there is none", c.where, c.n, c.cause, c.turn)
			continue
		}
		if c.n < len(turns) && c.sent.After(turns[c.n].told.Add(slack)) {
			t.Errorf("%s was told turn %d of %s at %s, when the next had been kept since %s", c.where, c.n, c.cause, c.sent, turns[c.n].told)
		}
		if strings.HasSuffix(c.where, "push") {
			// One topic a tag, and one tag a cause: of several a phone shows the last.
			if was, ok := tags[c.cause]; ok && was != c.key {
				t.Errorf("%s has two topics", c.cause)
			}
			tags[c.cause] = c.key
			k := c.where + " " + c.cause
			if c.n == shown[k] {
				repeats++
			}
			if c.n < shown[k] {
				t.Errorf("%s shows turn %d of %s after turn %d", c.where, c.n, c.cause, shown[k])
			}
			shown[k] = c.n
			continue
		}
		of := fmt.Sprint(c.where, " ", c.cause, " ", c.n)
		if was, ok := keys[c.key]; ok && was != of {
			t.Errorf("%s and %s have the same id", was, of)
		}
		keys[c.key] = of
		if slices.Contains(attemptsOf[of], c.attempt) || c.attempt < 1 {
			t.Errorf("%s came twice as attempt %d", of, c.attempt)
		}
		attemptsOf[of] = append(attemptsOf[of], c.attempt)
	}
	ids := map[string]bool{}
	for k, of := range keys {
		if ids[of] {
			t.Errorf("%s came under two ids, one of them %s", of, k)
		}
		ids[of] = true
		repeats += len(attemptsOf[of]) - 1
	}
	if d.kills < 2 || repeats+doubted == 0 {
		t.Errorf("%d kills and nothing was ever in doubt: the chaos hit nothing", d.kills)
	}
	t.Logf("%d causes, %d turns in %s: %d changes of the network, %d kills of far ends, %d of the daemon; %s after it all had come",
		causes, len(steps), stormy.Round(time.Second), cuts, servers, d.kills, settled.Round(100*time.Millisecond))
	t.Logf("%d causes told, %d over before anybody could be; %d letters, %d attempts, %d in doubt; %d messages came, %d of them again under the same id; none false, none missing",
		causes-inTime, inTime, letters, attempts, doubted, len(got), repeats)
}
