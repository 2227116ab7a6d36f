package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	httppost "ebbwatch/alert/post"
	"ebbwatch/alert/sender"
	"ebbwatch/alert/webhook"
	"ebbwatch/cmd/internal/statedir"
)

// asSender makes the test binary a process that only raises, keeps and sends: the engine,
// the outbox, the files and the webhook are the real ones.
const asSender = "EBBWATCH_TEST_AS_SENDER"

func TestMain(m *testing.M) {
	if order := os.Getenv(asSender); order != "" {
		if err := asProcess(order); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// order is what a sender is told.
type order struct {
	Dir, URL string
	Epoch    time.Time // when the first sender began
	Seed     uint64
	Settle   bool // end all alarms, send everything and end
}

// fast is by how much the senders' clock runs faster, so that waits of minutes pass in
// milliseconds.
const fast = 4000

// keptBySender is saved in one piece, as by the daemon.
type keptBySender struct {
	Alerts
	Levels map[string]float64
}

func kinds() [6]string { return [6]string{"a", "b", "c", "d", "e", "f"} }

// asProcess is the life of one process. It ends by itself only when it is told to settle.
func asProcess(text string) error {
	var o order
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		return err
	}
	store, err := statedir.Open(o.Dir)
	if err != nil {
		return err
	}
	k := keptBySender{Levels: map[string]float64{}}
	if loaded := store.Load("alerts", &k); len(loaded.Problems) > 0 {
		return fmt.Errorf("the state is damaged: %v", loaded.Problems)
	}
	var live []sender.Channel
	for _, name := range []string{"one", "two"} {
		c := webhook.New(webhook.Config{Target: httppost.Target{URL: alert.Secret(o.URL + "/" + name)}})
		live = append(live, sender.Channel{Channel: outbox.Channel{Name: name}, Sender: c})
	}
	out, workers := sender.New(live, k.Outbox, 1), sync.WaitGroup{}
	ctx, stop := context.WithCancel(context.Background())
	defer workers.Wait()
	defer stop()
	out.Start(ctx, &workers)
	fmt.Println("up")
	dice := rand.New(rand.NewPCG(o.Seed, 1))
	e := alert.Engine{Site: "slipway", Rules: senderRules()}
	now := func() time.Time { return o.Epoch.Add(fast * time.Since(o.Epoch)) }
	keep := func() error { k.Outbox = out.State(); return store.Save("alerts", k) }
	for end := time.Now().Add(time.Minute); time.Now().Before(end); {
		if err := turnSender(o, e, dice, &k, out, now(), keep); err != nil {
			return err
		}
		select {
		case r := <-out.Results():
			out.Done(r, now())
			if err := keep(); err != nil {
				return err
			}
		case <-time.After(200 * time.Microsecond):
		}
		if o.Settle && k.quiet() {
			return nil
		}
	}
	return errors.New("it did not settle within a minute")
}

// turnSender is one turn of the loop, in the order of [Loop.turn].
func turnSender(o order, e alert.Engine, dice *rand.Rand, k *keptBySender, out *sender.Outgoing, now time.Time, keep func() error) error {
	for _, name := range kinds() {
		switch {
		case o.Settle:
			k.Levels[name] = 0
		case max(out.State().Waiting("one"), out.State().Waiting("two")) > 100:
			// nothing new while much waits: a full outbox drops what is least needed
		case dice.IntN(8) == 0:
			k.Levels[name] = float64(dice.IntN(3))
		}
	}
	next, notices := e.Step(k.Engine, now, func(name string) (float64, bool) { x, known := k.Levels[name]; return x, known })
	k.Engine = next
	for _, n := range notices {
		out.Put(n, now)
	}
	due := out.Due(now)
	if len(notices)+len(due) > 0 {
		if err := keep(); err != nil {
			return err
		}
	}
	out.HandOut(due)
	return nil
}

func (k *keptBySender) quiet() bool {
	for _, t := range k.Engine.Tracks {
		if t.ID != "" {
			return false
		}
	}
	return k.Outbox.Waiting("one")+k.Outbox.Waiting("two") == 0
}

// senderRules have two rungs each and no dwell. The texts are long, so that a write takes
// a while and can be cut in two.
func senderRules() []alert.Rule {
	var list []alert.Rule
	for _, name := range kinds() {
		rung := func(grave alert.Severity, least string) alert.Rung {
			return alert.Rung{
				Name: least, Severity: grave, When: alert.MustExpr(name + " >= " + least), AnyHour: true,
				Title: "{{site}}: {{subject}} {{rung}}", Text: "{{now}} " + strings.Repeat("as it is. ", 100),
			}
		}
		list = append(list, alert.Rule{Name: name, Summary: name, Rungs: []alert.Rung{rung(alert.Warning, "1"), rung(alert.Critical, "2")}})
	}
	return list
}

// far is the receiver of two channels, which fails in every way.
type far struct {
	mu    sync.Mutex
	dice  *rand.Rand
	well  bool           // it takes everything
	away  map[string]int // requests that a channel still turns away, in a row
	got   map[string][]arrival
	asked int
}

// arrival is one notice that was taken, whether the sender learned so or not.
type arrival struct {
	alert.Notice
	body string
}

// awaitRequests waits until n more requests came. A sender all of whose alarms wait for their
// next try asks nothing for a while: so it gives up after some looks.
func (f *far) awaitRequests(n int) {
	count := func() int {
		f.mu.Lock()
		defer f.mu.Unlock()
		return f.asked
	}
	tick := time.NewTicker(500 * time.Microsecond)
	defer tick.Stop()
	for end, looks := count()+n, 0; count() < end && looks < 200; looks++ {
		<-tick.C
	}
}

func (f *far) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/")
	body, err := io.ReadAll(r.Body)
	var n alert.Notice
	if err != nil || json.Unmarshal(body, &n) != nil {
		return // the sender died in the middle of its request
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked++
	how := f.dice.IntN(20)
	if f.well {
		how = 99
	}
	switch {
	case !f.well && f.away[name] > 0:
		f.away[name]--
		http.Error(w, "not now", http.StatusInternalServerError)
		return
	case how == 0:
		f.away[name] = f.dice.IntN(6)
		w.Header().Set("Retry-After", strconv.Itoa(f.dice.IntN(30)))
		http.Error(w, "not so fast", http.StatusTooManyRequests)
		return
	case how == 1:
		panic(http.ErrAbortHandler) // it hangs up before it took it
	}
	f.got[name] = append(f.got[name], arrival{n, string(body)})
	if how < 4 {
		panic(http.ErrAbortHandler) // it took it, and its answer is lost
	}
}

// TestKillNineOfTheSender kills a process with SIGKILL at random instants, and starts another on the same folder, while alarms rise, climb
// and clear and receivers fail. Some 120 times by default; 2000 times where CI or
// EBBWATCH_STUDY is set. EBBWATCH_SEED repeats a run.
func TestKillNineOfTheSender(t *testing.T) {
	t.Parallel()
	kills := 120
	if !testing.Short() && (os.Getenv("CI") == "true" || os.Getenv("EBBWATCH_STUDY") != "") {
		kills = 2000
	}
	seed, err := strconv.ParseUint(os.Getenv("EBBWATCH_SEED"), 10, 64)
	if err != nil {
		seed = uint64(time.Now().UnixNano())
	}
	f := &far{dice: rand.New(rand.NewPCG(seed, 2)), away: map[string]int{}, got: map[string][]arrival{}}
	receiver := httptest.NewUnstartedServer(f)
	receiver.Config.ErrorLog = nil
	receiver.Start()
	defer receiver.Close()
	o := order{Dir: filepath.Join(t.TempDir(), "state"), URL: receiver.URL, Epoch: time.Now()}
	dice := rand.New(rand.NewPCG(seed, 3))
	for range kills {
		o.Seed = dice.Uint64()
		killed(t, o, dice, f)
	}
	f.mu.Lock()
	f.well = true
	f.mu.Unlock()
	o.Settle = true
	if out, err := sending(t, o).CombinedOutput(); err != nil {
		t.Fatalf("seed %d: the last sender failed: %v\n%s", seed, err, out)
	}
	f.judge(t, o.Dir, seed, kills)
}

func sending(t *testing.T, o order) *exec.Cmd {
	t.Helper()
	text, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), asSender+"="+string(text))
	return cmd
}

// killed lets a sender live until the receiver was asked a few times, and up to 3 ms more; one
// in ten dies in its first milliseconds, while it takes up what the last one left. To count
// what it did, not the time, gives a busy machine as many alarms as an idle one.
func killed(t *testing.T, o order, dice *rand.Rand, f *far) {
	t.Helper()
	cmd := sending(t, o)
	var complaint strings.Builder
	cmd.Stderr = &complaint
	up, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	if dice.IntN(10) == 0 {
		<-time.After(time.Duration(dice.IntN(6000)) * time.Microsecond)
	} else {
		if _, err := up.Read(make([]byte, 1)); err != nil {
			t.Errorf("a sender did not begin: %v", err)
		}
		f.awaitRequests(dice.IntN(4))
		<-time.After(time.Duration(dice.IntN(3000)) * time.Microsecond)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Errorf("a sender ended before it was killed: %v", err)
	}
	if err := cmd.Wait(); cmd.ProcessState.Exited() {
		t.Fatalf("a sender ended by itself: %v\n%s", err, &complaint)
	}
}

// judge holds what arrived against the count of alarms that the last state tells: each of
// them, on each channel, from its raise to its end and in order; a repeat says the same.
func (f *far) judge(t *testing.T, dir string, seed uint64, kills int) {
	t.Helper()
	store, err := statedir.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var k keptBySender
	if !store.Load("alerts", &k).Found {
		t.Fatal("nothing was kept")
	}
	for _, name := range []string{"one", "two"} {
		byID := map[string][]arrival{}
		for _, a := range f.got[name] {
			byID[a.ID] = append(byID[a.ID], a)
		}
		numbers := map[string]bool{}
		repeats, merged := 0, 0
		for id, list := range byID {
			numbers[id[strings.LastIndexByte(id, '.')+1:]] = true
			r, m, err := life(list)
			if err != nil {
				t.Errorf("seed %d, channel %s, %s: %v", seed, name, id, err)
			}
			repeats, merged = repeats+r, merged+m
		}
		lost := 0
		for i := uint64(1); i <= k.Engine.Raised; i++ {
			if !numbers[strconv.FormatUint(i, 10)] {
				lost++
			}
		}
		if q := k.Outbox.Queues[name]; lost > 0 || uint64(len(byID)) != k.Engine.Raised || q.Dropped+q.Refused > 0 {
			t.Errorf("seed %d, channel %s: of %d alarms %d are lost, %d came; %d dropped, %d refused", seed, name, k.Engine.Raised, lost, len(byID), q.Dropped, q.Refused)
		}
		t.Logf("channel %s: %d alarms, %d lost; %d messages, %d repeats, %d merged", name, k.Engine.Raised, lost, len(f.got[name]), repeats, merged)
		if len(byID) < kills/40 || repeats == 0 {
			t.Errorf("%d alarms and %d repeats are too few to show anything", len(byID), repeats)
		}
	}
	t.Logf("seed %d: %d kills, %d requests", seed, kills, f.asked)
}

// life judges all that came of one alarm on one channel.
func life(list []arrival) (repeats, merged int, err error) {
	phases := []alert.Phase{alert.Raised, alert.Changed, alert.Cleared}
	bodies := map[string]string{} // of what was not merged
	for i, a := range list {
		switch {
		case i > 0 && slices.Index(phases, a.Phase) < slices.Index(phases, list[i-1].Phase):
			return 0, 0, fmt.Errorf("%s came after %s", a.Phase, list[i-1].Phase)
		case i > 0 && a.At.Before(list[i-1].At):
			return 0, 0, fmt.Errorf("what was said at %s came after what was said at %s", a.At, list[i-1].At)
		case i == 0 && a.Phase != alert.Raised && a.Facts["merged"] < 2:
			return 0, 0, fmt.Errorf("its raise never came, %s is the first", a.Phase)
		}
		if a.Facts["merged"] >= 2 {
			merged++
			continue
		}
		key := string(a.Phase) // raised and cleared are said once
		if a.Phase == alert.Changed {
			key += a.At.String()
		}
		if was, again := bodies[key]; again && was != a.body {
			return 0, 0, fmt.Errorf("%s came with two contents:\n%s\n%s", a.Phase, was, a.body)
		} else if again {
			repeats++
		}
		bodies[key] = a.body
	}
	if last := list[len(list)-1]; last.Phase != alert.Cleared {
		return 0, 0, fmt.Errorf("its end never came, %s is the last", last.Phase)
	}
	return repeats, merged, nil
}
