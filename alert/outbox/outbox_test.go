package outbox

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"ebbwatch/alert"
)

func start() time.Time { return time.Date(2026, 1, 10, 11, 0, 0, 0, time.UTC) }

func note(id string, p alert.Phase, at time.Time) alert.Notice {
	return alert.Notice{ID: id, Rule: "cold", Phase: p, Severity: alert.Warning, At: at, Title: string(p) + " " + id}
}

// restart is what a kill leaves: the state as it was persisted.
func restart(t interface{ Fatal(...any) }, s State) State {
	data, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var again State
	if err := json.Unmarshal(data, &again); err != nil {
		t.Fatal(err)
	}
	return again
}

func titles(due []Delivery) []string {
	var out []string
	for _, d := range due {
		out = append(out, d.Channel+": "+d.Notice.Title)
	}
	return out
}

func expect(t *testing.T, due []Delivery, want ...string) {
	t.Helper()
	if got := titles(due); !slices.Equal(got, want) {
		t.Fatalf("due are %q, want %q", got, want)
	}
}

func TestOrderWithinAnAlarm(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	s := b.Put(State{}, note("1", alert.Raised, now), now)
	s = b.Put(s, note("1", alert.Cleared, now.Add(time.Minute)), now.Add(time.Minute))
	s, due := b.Due(s, now)
	expect(t, due, "a: raised 1")
	s, again := b.Due(s, now)
	expect(t, again) // one at a time
	s = b.Done(s, due[0], errors.New("no route"), now)
	s, again = b.Due(s, now)
	expect(t, again) // it waits
	s, due = b.Due(s, now.Add(time.Minute))
	expect(t, due, "a: raised 1")
	s = b.Done(s, due[0], nil, now)
	s, due = b.Due(s, now.Add(time.Minute))
	expect(t, due, "a: cleared 1")
	s = b.Done(s, due[0], nil, now)
	if q := s.Queues["a"]; len(q.Items) != 0 || q.Sent != 2 || q.Failed != 1 {
		t.Errorf("at the end: %+v", q)
	}
}

func TestKilledWhileSending(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	s := b.Put(State{}, note("1", alert.Raised, now), now)
	s, first := b.Due(s, now)
	s = restart(t, s)
	_, second := b.Due(s, now)
	expect(t, second, "a: raised 1")
	if first[0].Notice.ID != second[0].Notice.ID {
		t.Errorf("the repeat has another id: %q and %q", first[0].Notice.ID, second[0].Notice.ID)
	}
}

func TestMergedWhenStale(t *testing.T) {
	t.Parallel()
	phases := func(p ...alert.Phase) []alert.Phase { return p }
	for _, row := range []struct {
		put         []alert.Phase
		want        alert.Phase
		title, text string
	}{
		{phases(alert.Raised, alert.Changed, alert.Changed), alert.Raised, "changed 1", ""},
		{phases(alert.Raised, alert.Changed, alert.Cleared), alert.Cleared, "Came and went: changed 1", "It could not be told while it lasted.\n"},
		{phases(alert.Changed, alert.Changed), alert.Changed, "changed 1", ""},
		{phases(alert.Changed, alert.Cleared), alert.Cleared, "cleared 1", ""},
	} {
		b := Box{Channels: []Channel{{Name: "a"}}}
		now := start()
		var s State
		for _, p := range row.put {
			s = b.Put(s, note("1", p, now), now)
			now = now.Add(time.Minute)
		}
		_, due := b.Due(s, now.Add(24*time.Hour))
		expect(t, due, "a: "+row.title)
		if n := due[0].Notice; n.Phase != row.want || n.Text != row.text || n.Facts["merged"] != float64(len(row.put)) {
			t.Errorf("%v became %s of %v messages, want %s", row.put, n.Phase, n.Facts["merged"], row.want)
		}
	}
}

func TestChannelsAreApart(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "all"}, {Name: "grave", Least: alert.Critical}, {Name: "second", Escalated: true}}}
	now := start()
	n := note("1", alert.Raised, now)
	s := b.Put(State{}, n, now)
	s, due := b.Due(s, now)
	expect(t, due, "all: raised 1")
	n.Severity, n.Facts = alert.Critical, map[string]float64{"escalated": 1}
	s = b.Put(s, n, now)
	s, due = b.Due(s, now) // all is still busy
	expect(t, due, "grave: raised 1", "second: raised 1")
	s = b.Done(s, due[0], alert.Refused(errors.New("gone")), now)
	if n, why := s.Queues["grave"].Refusing(); n != 1 || why != "gone" || s.Queues["grave"].Refused != 1 {
		t.Errorf("a refused notice leaves %+v", s.Queues["grave"])
	}
}

// TestARefusedNoticeIsTriedForDays: nothing is lost while a proxy restarts for an evening,
// what others take is not held up, each is counted once, and in the end there is an end.
func TestARefusedNoticeIsTriedForDays(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	refused := alert.Refused(errors.New("404"))
	now := start()
	s := b.Put(State{}, note("1", alert.Raised, now), now)
	s = b.Put(s, note("2", alert.Raised, now), now)
	step := func(err func(id string) error) (got []string) {
		var due []Delivery
		s, due = b.Due(restart(t, s), now)
		for _, d := range due {
			e := err(d.Notice.ID)
			if s = b.Done(s, d, e, now); e == nil {
				got = append(got, d.Notice.ID)
			}
		}
		now = now.Add(10 * time.Second)
		return got
	}
	one := func(id string) error {
		if id == "1" {
			return refused
		}
		return nil
	}
	step(one)
	if got := step(one); !slices.Equal(got, []string{"2"}) {
		t.Errorf("beside the refused one came %v", got)
	}
	for range 5 * 24 * 360 {
		step(one)
	}
	if q := s.Queues["a"]; len(q.Items) != 1 || q.Refused != 1 || q.Dropped != 0 || q.Items[0].Tries > 300 || q.Items[0].Tries < 230 {
		t.Fatalf("after five days: %+v", q)
	}
	before, arrived := s, 0
	for range 181 {
		arrived += len(step(func(string) error { return nil }))
	}
	if arrived != 1 {
		t.Errorf("half an hour after the receiver took notices again, %d came", arrived)
	}
	s = before
	for range 3 * 24 * 360 {
		step(one)
	}
	if q := s.Queues["a"]; len(q.Items) != 0 || q.Refused != 1 || q.Dropped != 1 {
		t.Errorf("after eight days: %+v", q)
	}
}

// TestTheLastWordIsTheNewest: two alarms of one subject keep their order, whatever failed in
// between and however long they waited.
func TestTheLastWordIsTheNewest(t *testing.T) {
	t.Parallel()
	const first, second, other = "slipway.hot.20260110T110000Z.1", "slipway.hot.20260110T120000Z.2", "slipway.cold.20260110T110000Z.3"
	for fails := range 4 {
		for _, wait := range []time.Duration{0, 24 * time.Hour} {
			b := Box{Channels: []Channel{{Name: "a"}}}
			now := start()
			s := b.Put(State{}, note(first, alert.Raised, now), now)
			s = b.Put(s, note(other, alert.Raised, now), now)
			var last string
			var due []Delivery
			take := func(err error) {
				s, due = b.Due(s, now)
				for _, d := range due {
					if s = b.Done(s, d, err, now); err == nil && d.Notice.ID != other {
						last = d.Notice.ID + string(d.Notice.Phase)
					}
				}
				now = now.Add(time.Hour)
			}
			for range fails {
				take(errors.New("no route"))
			}
			s = b.Put(s, note(first, alert.Cleared, now), now)
			hot := note(second, alert.Raised, now)
			hot.Severity = alert.Critical
			s = b.Put(s, hot, now)
			now = now.Add(wait)
			for range 6 {
				take(nil)
			}
			if s.Waiting("a") > 0 || last != second+"raised" {
				t.Errorf("after %d failures and %v the last word is %s", fails, wait, last)
			}
		}
	}
}

func TestOneThatIsAlwaysTurnedDownHoldsUpNothing(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	s := b.Put(State{}, note("poison", alert.Raised, now), now)
	for i := range 5 {
		s = b.Put(s, note(fmt.Sprint(i), alert.Raised, now), now)
	}
	arrived := 0
	for range 200 {
		var due []Delivery
		s, due = b.Due(s, now)
		for _, d := range due {
			var err error
			if d.Notice.ID == "poison" {
				err = errors.New("500")
			} else {
				arrived++
			}
			s = b.Done(s, d, err, now)
		}
		now = now.Add(10 * time.Second)
	}
	if arrived != 5 {
		t.Errorf("%d of 5 arrived", arrived)
	}
}

func TestWhatIsCriticalGoesFirst(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	var s State
	for id, severity := range []alert.Severity{alert.Info, alert.Warning, alert.Critical, alert.Warning} {
		n := note(fmt.Sprint(id), alert.Raised, now)
		n.Severity = severity
		s = b.Put(s, n, now)
	}
	for _, want := range []string{"2", "0", "1", "3"} {
		next, due := b.Due(s, now)
		expect(t, due, "a: raised "+want)
		s = b.Done(next, due[0], nil, now)
	}
}

// TestAChannelThatFailsIsLeftAlone: all its notices wait, not only the one that failed; once
// one gets through, the others follow at once.
func TestAChannelThatFailsIsLeftAlone(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	s := b.Put(b.Put(State{}, note("1", alert.Raised, now), now), note("2", alert.Raised, now), now)
	for range 12 { // both fail again and again
		next, due := b.Due(s, now)
		if len(due) != 1 {
			t.Fatalf("due are %q", titles(due))
		}
		s = b.Done(next, due[0], errors.New("no route"), now)
		_, due = b.Due(s, now)
		expect(t, due)
		wait, _ := b.Next(s, now)
		now = now.Add(wait)
	}
	s, due := b.Due(s, now)
	s = b.Done(s, due[0], nil, now)
	_, due = b.Due(s, now)
	if len(due) != 1 {
		t.Errorf("after a success due are %q", titles(due))
	}
}

func TestWaitGrowsToTheCap(t *testing.T) {
	t.Parallel()
	b := Box{Base: 10 * time.Second, Cap: 5 * time.Minute}
	last := time.Duration(0)
	for tries := 1; tries < 100; tries++ {
		w := b.wait(tries, "an id")
		if w < last || w > 5*time.Minute {
			t.Fatalf("after %d tries it waits %v, before it was %v", tries, w, last)
		}
		last = w
	}
	if last < 5*time.Minute*3/4 {
		t.Errorf("it waits at most %v", last)
	}
	again := Box{Base: 10 * time.Second, Cap: 5 * time.Minute}
	if w := again.wait(3, "an id"); w != b.wait(3, "an id") || w == b.wait(3, "another id") {
		t.Errorf("the wait of an id is %v, and must be its own and always the same", w)
	}
}

func TestRetryAfterIsHonoured(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	s, due := b.Due(b.Put(State{}, note("1", alert.Raised, now), now), now)
	s = b.Done(s, due[0], alert.RetryAfter(errors.New("429"), time.Hour), now)
	_, due = b.Due(s, now.Add(59*time.Minute))
	expect(t, due)
	if wait, ok := b.Next(s, now); !ok || wait != time.Hour {
		t.Errorf("the next is due in %v, %v", wait, ok)
	}
	_, due = b.Due(s, now.Add(time.Hour))
	expect(t, due, "a: raised 1")
	_, due = b.Due(s, now.Add(-20*365*24*time.Hour)) // the clock went back: no use waiting for 20 years
	expect(t, due, "a: raised 1")
}

func TestBounded(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	var s State
	for i := range 600 {
		n := note(fmt.Sprint(i), alert.Raised, now)
		if n.Severity = alert.Info; i%10 == 0 {
			n.Severity = alert.Critical
		}
		s = b.Put(s, n, now)
	}
	q := s.Queues["a"]
	grave := 0
	for _, it := range q.Items {
		if it.Notice.Severity == alert.Critical {
			grave++
		}
	}
	if len(q.Items) != 200 || q.Dropped != 400 || grave != 60 {
		t.Errorf("%d wait, %d of them grave, %d dropped; want 200, 60, 400", len(q.Items), grave, q.Dropped)
	}
}

func TestStateIsNeverChanged(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "a"}}}
	now := start()
	s := b.Put(State{}, note("1", alert.Raised, now), now)
	before, _ := json.Marshal(s)
	flying, due := b.Due(s, now)
	b.Put(s, note("1", alert.Cleared, now), now.Add(time.Hour))
	b.Done(flying, due[0], nil, now)
	if after, _ := json.Marshal(s); string(after) != string(before) || s.Queues["a"].Items[0].Flying {
		t.Errorf("a state that was handed out changed:\n%s\n%s", before, after)
	}
}

// TestAChannelTakesWhatItAskedFor: by rule and phase.
func TestAChannelTakesWhatItAskedFor(t *testing.T) {
	t.Parallel()
	b := Box{Channels: []Channel{{Name: "rules", Rules: []string{"hot"}}, {Name: "begins", Phases: []alert.Phase{alert.Raised}}, {Name: "all"}}}
	now := start()
	s := b.Put(State{}, note("1", alert.Raised, now), now)
	s = b.Put(s, note("1", alert.Cleared, now), now)
	for name, want := range map[string]int{"rules": 0, "begins": 1, "all": 2} {
		if got := s.Waiting(name); got != want {
			t.Errorf("for %s wait %d, want %d", name, got, want)
		}
	}
}
