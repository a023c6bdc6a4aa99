package storetest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"ashlamp/ingest/store"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

func noticeOf(cause string, n int, turn notice.Turn, d time.Duration) notice.Notice {
	eta := at(d + time.Hour)
	return notice.Notice{
		Cause: cause, N: n, Turn: turn, Kind: notice.Moved, Engine: engine, Name: "Quillet", At: at(d), Began: at(0),
		Priority: alarm.Medium, Facts: notice.Facts{Yet: []string{"Ash cleared"}, ETA: &eta},
	}
}

func letterOf(cause string, n int, person, way string, d time.Duration) store.Letter {
	return store.Letter{
		ID: fmt.Sprint(cause, n, person, way), Cause: cause, N: n, Person: person, Way: way, Body: json.RawMessage(`{"line":"Quillet"}`),
		Written: at(d), Due: at(d), Until: at(d + time.Hour), State: store.Waiting,
	}
}

func notices(t *testing.T, s *store.Store) {
	ctx := context.Background()
	one, two, three := noticeOf("a", 1, notice.Began, 0), noticeOf("b", 1, notice.Began, time.Second), noticeOf("a", 2, notice.Over, time.Minute)
	failed := errors.New("no")
	put := func(last error, ns ...notice.Notice) error {
		return s.Update(ctx, func(tx *store.Tx) error {
			for _, n := range ns {
				if err := tx.PutNotice(n); err != nil {
					return err
				}
			}
			return last
		})
	}
	if err := put(failed, one); !errors.Is(err, failed) {
		t.Fatal(err)
	}
	got, err := s.Notices(ctx, 0, 10)
	must(t, err)
	if len(got) != 0 {
		t.Fatalf("its transaction failed, and there: %v", got)
	}
	must(t, put(nil, one, two))
	if _, ok, err := s.LatestTurn(ctx, "c"); ok || err != nil {
		t.Fatalf("of a cause that is not kept: %v %v", ok, err)
	}
	again := two
	again.Name = "another telling"
	must(t, put(nil, again, three))
	got, err = s.Notices(ctx, 0, 10)
	must(t, err)
	var plain []notice.Notice
	for i, k := range got {
		plain = append(plain, k.Notice)
		if i > 0 && k.Seq <= got[i-1].Seq {
			t.Errorf("number %d after %d", k.Seq, got[i-1].Seq)
		}
	}
	asJSON(t, "in order, each once", plain, []notice.Notice{one, two, three})
	page, err := s.Notices(ctx, got[0].Seq, 1)
	must(t, err)
	asJSON(t, "a page", page, got[1:2])
	latest, ok, err := s.LatestTurn(ctx, "a")
	if err != nil || !ok {
		t.Fatalf("latest turn of a: %v %v", ok, err)
	}
	asJSON(t, "latest turn", latest, three)
	must(t, s.Update(ctx, func(tx *store.Tx) error {
		if err := tx.PutNotice(noticeOf("c", 1, notice.Began, 0)); err != nil {
			return err
		}
		n, ok, err := tx.LatestTurn("c")
		if err != nil || !ok || n.N != 1 {
			return fmt.Errorf("within its own transaction: %+v %v %w", n, ok, err)
		}
		return nil
	}))
	for _, n := range []notice.Notice{{}, {Cause: "a", N: 0, At: at(0)}, {N: 1, At: at(0)}, {Cause: "a", N: 3}} {
		if err := put(nil, n); err == nil {
			t.Errorf("%+v was kept", n)
		}
	}
	if _, err := s.Notices(ctx, 0, 0); err == nil {
		t.Error("no notices at all were asked for and given")
	}
}

func asJSON[T any](t testing.TB, what string, got, want T) {
	t.Helper()
	g, err := json.Marshal(got)
	must(t, err)
	w, err := json.Marshal(want)
	must(t, err)
	equal(t, what, string(g), string(w))
}

func addressing(t *testing.T, s *store.Store) {
	ctx := context.Background()
	mark := func(want uint64) {
		t.Helper()
		got, err := s.Addressed(ctx)
		if err != nil || got != want {
			t.Fatalf("addressed up to %d, %v; want %d", got, err, want)
		}
	}
	mark(0)
	one, two := letterOf("a", 1, "R. Pell", "mail", 0), letterOf("a", 1, "R. Pell", "push/1", time.Second)
	must(t, s.Address(ctx, 3, []store.Letter{one}))
	mark(3)
	bad := two
	bad.Body = json.RawMessage(`{`)
	if err := s.Address(ctx, 4, []store.Letter{two, bad}); err == nil {
		t.Fatal("a letter whose body is no JSON was kept")
	}
	mark(3) // neither letters nor mark
	got, err := s.LettersOf(ctx, "a")
	must(t, err)
	equal(t, "after the refusal", got, []store.Letter{one})

	// The same, said again as after a crash, and once more under another id.
	other := one
	other.ID, other.Body = "another", json.RawMessage(`{"line":"again"}`)
	must(t, s.Address(ctx, 2, []store.Letter{one, two, other}))
	mark(3)
	got, err = s.LettersOf(ctx, "a")
	must(t, err)
	equal(t, "each once", got, []store.Letter{one, two})
	got, err = s.LettersTo(ctx, "R. Pell", 1)
	must(t, err)
	equal(t, "the newest to a person", got, []store.Letter{two})
	got, err = s.LettersTo(ctx, "N. Bray", 10)
	must(t, err)
	equal(t, "to somebody else", got, nil)
	for _, l := range []store.Letter{{}, func() store.Letter { l := one; l.Until = time.Time{}; return l }()} {
		if err := s.Address(ctx, 9, []store.Letter{l}); err == nil {
			t.Errorf("%+v was kept", l)
		}
	}
	if _, err := s.LettersTo(ctx, "R. Pell", 0); err == nil {
		t.Error("no letters at all were asked for and given")
	}
	mark(3)
}

func lettersMarked(t *testing.T, s *store.Store) {
	ctx := context.Background()
	due := func(by time.Duration, want ...string) {
		t.Helper()
		ls, err := s.DueLetters(ctx, at(by))
		must(t, err)
		var ids []string
		for _, l := range ls {
			ids = append(ids, l.ID)
		}
		equal(t, fmt.Sprint("due by ", by), ids, want)
	}
	mark := func(id string, want bool, o store.Outcome) {
		t.Helper()
		ok, err := s.MarkLetter(ctx, id, o)
		if err != nil || ok != want {
			t.Fatalf("mark %s %+v: %v %v, want %v", id, o, ok, err, want)
		}
	}
	if _, ok, err := s.NextDue(ctx, at(-1)); ok || err != nil {
		t.Fatalf("in an empty store a letter is due: %v %v", ok, err)
	}
	one, two := letterOf("a", 1, "p", "mail", 2*time.Second), letterOf("a", 2, "p", "push/1", time.Second)
	must(t, s.Update(ctx, func(tx *store.Tx) error { return tx.PutLetters([]store.Letter{one, two}) }))
	due(999 * time.Millisecond)
	due(2*time.Second, two.ID, one.ID)
	next, ok, err := s.NextDue(ctx, at(-1))
	if err != nil || !ok || !next.Equal(at(time.Second)) {
		t.Fatalf("next due %s %v %v", next, ok, err)
	}
	begin := func(id string, want bool, due time.Duration) {
		t.Helper()
		must(t, s.Update(ctx, func(tx *store.Tx) error {
			ok, err := tx.BeginLetter(id, at(due))
			if ok != want {
				return fmt.Errorf("begin %s: %v, want %v; %w", id, ok, want, err)
			}
			return err
		}))
	}
	begin(two.ID, true, 20*time.Second)
	due(19*time.Second, one.ID)
	due(20*time.Second, one.ID, two.ID)
	mark(two.ID, true, store.Outcome{At: at(3 * time.Second), State: store.Waiting, Due: at(time.Minute), Tried: true, Unsent: true, Trouble: "no route to host"})
	begin(two.ID, true, 2*time.Minute)
	mark(two.ID, true, store.Outcome{At: at(time.Minute), State: store.Waiting, Due: at(2 * time.Minute), Tried: true, Trouble: "broke off"})
	due(30*time.Second, one.ID)
	begin(two.ID, true, 3*time.Minute)
	mark(two.ID, true, store.Outcome{At: at(2 * time.Minute), State: store.Taken, Tried: true})
	begin(two.ID, false, time.Hour)
	begin("nobody's", false, time.Hour)
	mark(two.ID, false, store.Outcome{At: at(3 * time.Minute), State: store.GivenUp, Tried: true, Trouble: "too late"})
	mark("nobody's", false, store.Outcome{At: at(0), State: store.Taken})
	must(t, s.Update(ctx, func(tx *store.Tx) error {
		n, err := tx.EndLetters("a", 3, at(4*time.Minute))
		if err != nil || n != 1 {
			return fmt.Errorf("ended %d letters, %w", n, err)
		}
		ls, err := tx.LettersOf("a")
		if err != nil || len(ls) != 2 || ls[0].State != store.NoLongerSo {
			return fmt.Errorf("within its own transaction %+v, %w", ls, err)
		}
		return nil
	}))
	due(time.Hour)
	one.State, one.Ended = store.NoLongerSo, at(4*time.Minute)
	two.State, two.Ended, two.Attempts, two.Failed, two.Due = store.Taken, at(2*time.Minute), 3, at(3*time.Second), at(3*time.Minute)
	two.Doubt = 2 // that which broke off, and that which was taken
	got, err := s.LettersOf(ctx, "a")
	must(t, err)
	equal(t, "in the end", got, []store.Letter{one, two})

	three := letterOf("a", 3, "p", "mail", 0)
	must(t, s.Address(ctx, 1, []store.Letter{three}))
	must(t, s.Update(ctx, func(tx *store.Tx) error {
		if n, err := tx.EndLetters("a", 3, at(0)); err != nil || n != 0 {
			return fmt.Errorf("a letter of the turn itself was ended: %d %w", n, err)
		}
		return nil
	}))
	for _, o := range []store.Outcome{{At: at(0), State: store.Waiting}, {At: at(0), State: "lost"}, {At: at(0)}} {
		if _, err := s.MarkLetter(ctx, three.ID, o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
	due(0, three.ID)
	four, five := letterOf("a", 4, "p", "mail", time.Second), letterOf("a", 4, "q", "mail", 2*time.Second)
	must(t, s.Address(ctx, 1, []store.Letter{four, five}))
	due(time.Hour, three.ID, five.ID) // four comes after three, by the same way to the same person
	begin(three.ID, true, 500*time.Millisecond)
	due(time.Hour, four.ID, five.ID) // but not once three was tried in vain
	due(600*time.Millisecond, three.ID)
	if n, err := s.LettersWaiting(ctx); err != nil || n != 3 {
		t.Errorf("%d letters wait, %v, want 3", n, err)
	}
	if next, ok, err := s.NextDue(ctx, at(time.Second)); err != nil || !ok || !next.Equal(at(2*time.Second)) {
		t.Errorf("next due after a second: %s %v %v", next, ok, err)
	}
}

func wayRecords(t *testing.T, s *store.Store) {
	ctx := context.Background()
	check := func(when string, want ...store.WayRecord) {
		t.Helper()
		got, err := s.WayRecords(ctx)
		must(t, err)
		equal(t, when, got, want)
	}
	check("nothing was ever sent")
	a, b, c := letterOf("a", 1, "p", "mail", 0), letterOf("b", 1, "p", "mail", 0), letterOf("a", 1, "q", "mail", 0)
	must(t, s.Address(ctx, 1, []store.Letter{a, b, c}))
	mark := func(id string, d time.Duration, state store.LetterState) {
		t.Helper()
		if ok, err := s.MarkLetter(ctx, id, store.Outcome{At: at(d), State: state, Due: at(d), Tried: true, Trouble: "x"}); err != nil || !ok {
			t.Fatalf("mark %s: %v %v", id, ok, err)
		}
	}
	p, q := store.WayRecord{Person: "p", Way: "mail"}, store.WayRecord{Person: "q", Way: "mail"}
	check("nothing was tried", p, q)
	mark(b.ID, time.Minute, store.Waiting)
	mark(a.ID, 2*time.Minute, store.Waiting)
	mark(b.ID, 3*time.Minute, store.Waiting)
	p.Failed = at(time.Minute)
	check("failing since the first", p, q)
	must(t, s.Update(ctx, func(tx *store.Tx) error {
		if _, err := tx.BeginLetter(b.ID, at(time.Hour)); err != nil {
			return err
		}
		if _, err := tx.MarkLetter(b.ID, store.Outcome{At: at(3 * time.Minute), State: store.Waiting, Due: at(time.Hour), Tried: true, Trouble: "x"}); err != nil {
			return err
		}
		d := letterOf("d", 1, "p", "mail", 0)
		if err := tx.PutLetters([]store.Letter{d}); err != nil {
			return err
		}
		_, err := tx.BeginLetter(d.ID, at(time.Hour)) // and the program died
		return err
	}))
	mark(a.ID, 4*time.Minute, store.Taken)
	for _, cause := range []string{"b", "d"} {
		ls, err := s.LettersOf(ctx, cause)
		must(t, err)
		if len(ls) != 1 || !ls[0].Due.Equal(at(4*time.Minute)) {
			t.Fatalf("when the way is open again the other letter is due %+v, want at once", ls)
		}
	}
	p.Taken, p.Failed = at(4*time.Minute), time.Time{}
	check("something was taken", p, q)
	mark(b.ID, 5*time.Minute, store.Waiting)
	p.Failed = at(5 * time.Minute)
	check("failing again", p, q)
	next, ok, err := s.NextDue(ctx, at(-1))
	if err != nil || !ok || !next.Equal(at(0)) {
		t.Fatalf("next due %s %v %v, want the letter to q, which nobody tried", next, ok, err)
	}
	mark(b.ID, 6*time.Minute, store.GivenUp)
	check("given up", p, q)
}

func forgetting(t *testing.T, s *store.Store) {
	ctx := context.Background()
	must(t, s.Update(ctx, func(tx *store.Tx) error {
		for _, n := range []notice.Notice{
			noticeOf("over", 1, notice.Began, 0), noticeOf("open", 1, notice.Began, 0), noticeOf("over", 2, notice.Over, time.Minute),
			noticeOf("young", 1, notice.Began, 0), noticeOf("young", 2, notice.Over, time.Hour), noticeOf("unaddressed", 1, notice.Over, 0),
		} {
			if err := tx.PutNotice(n); err != nil {
				return err
			}
		}
		return nil
	}))
	var letters []store.Letter
	for _, cause := range []string{"over", "open", "young", "test"} {
		l := letterOf(cause, 1, "p", "mail", 0)
		l.State, l.Ended = store.Taken, at(0)
		letters = append(letters, l)
	}
	letters = append(letters, letterOf("test", 2, "p", "mail", 0))
	must(t, s.Address(ctx, 5, letters))
	n, err := s.ForgetNotices(ctx, at(30*time.Minute))
	if err != nil || n != 4 {
		t.Fatalf("let go of %d, %v; want two turns and two letters", n, err)
	}
	left := func(want string) {
		t.Helper()
		ns, err := s.Notices(ctx, 0, 100)
		must(t, err)
		var got string
		for _, n := range ns {
			got += fmt.Sprint(n.Cause, n.N, " ")
		}
		ls, err := s.LettersTo(ctx, "p", 100)
		must(t, err)
		for _, l := range ls {
			got += fmt.Sprint(l.ID, " ")
		}
		equal(t, "left", got, want)
	}
	left("open1 young1 young2 unaddressed1 test2pmail young1pmail open1pmail ")
	must(t, s.Address(ctx, 6, nil))
	if _, err := s.ForgetNotices(ctx, at(time.Hour+time.Second)); err != nil {
		t.Fatal(err)
	}
	left("open1 test2pmail open1pmail ")
	// All that was numbered last is gone, and the next number is a new one: else it
	// would be taken for addressed.
	must(t, s.Update(ctx, func(tx *store.Tx) error { return tx.PutNotice(noticeOf("next", 1, notice.Began, 0)) }))
	ns, err := s.Notices(ctx, 6, 10)
	must(t, err)
	if len(ns) != 1 || ns[0].Cause != "next" {
		t.Errorf("after number 6: %+v", ns)
	}
}
