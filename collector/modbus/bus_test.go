package modbus

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector"
)

const ms = time.Millisecond

// ask asks in a bubble and fails on any error.
func ask(t *testing.T, b *Bus, a Ask) []uint16 {
	t.Helper()
	got, err := b.Ask(t.Context(), a)
	if err != nil {
		t.Fatalf("%s: %v", a, err)
	}
	return got.Regs
}

func want(t *testing.T, a Ask, got []uint16) {
	t.Helper()
	for i, x := range got {
		if w, _ := counting(a.Table, a.Address+uint16(i)); x != w {
			t.Errorf("%s: register %d is %d, want %d", a, int(a.Address)+i, x, w)
		}
	}
	if len(got) != a.Count {
		t.Errorf("%s: got %d registers", a, len(got))
	}
}

// Every kind of damage is told by its kind, and the next answer is right.
func TestDamageIsToldAndPasses(t *testing.T) {
	t.Parallel()
	a, next := Ask{Unit: 1, Table: Holding, Address: 100, Count: 3}, Ask{Unit: 1, Table: Holding, Address: 200, Count: 3}
	good := bank{unit: 1, read: counting}
	other := bank{unit: 2, read: counting}
	asOther := func(q []byte) []byte { return other.reply(append([]byte{2}, q[1:]...)) }
	for _, tc := range []struct {
		name string
		kind collector.ErrorKind
		says func(q, right []byte) []said
	}{
		{"silence", collector.Timeout, func(_, _ []byte) []said { return nil }},
		{"late", collector.Timeout, func(_, r []byte) []said { return []said{{1100 * ms, r}} }},
		{"very late", collector.Timeout, func(_, r []byte) []said { return []said{{1500 * ms, r}} }},
		{"truncated", collector.Short, func(_, r []byte) []said { return []said{{5 * ms, r[:7]}} }},
		{"no check sum", collector.Short, func(_, r []byte) []said { return []said{{5 * ms, r[:len(r)-2]}} }},
		{"a pause inside", collector.Short, func(_, r []byte) []said { return []said{{5 * ms, r[:4]}, {300 * ms, r[4:]}} }},
		{"a bit wrong", collector.CRC, func(_, r []byte) []said { r[4] ^= 1; return []said{{5 * ms, r}} }},
		{"said twice", collector.Foreign, func(_, r []byte) []said { return []said{{5 * ms, append(r, r...)}} }},
		{"another unit", collector.Foreign, func(q, _ []byte) []said { return []said{{5 * ms, asOther(q)}} }},
		{"noise", collector.CRC, func(_, _ []byte) []said { return []said{{5 * ms, []byte("\x00\x80\x55the rain")}} }},
		{"noise behind", collector.Foreign, func(_, r []byte) []said { return []said{{5 * ms, append(r, 0x55)}} }},
		{"another's answer before", collector.Foreign, func(q, r []byte) []said { return []said{{5 * ms, append(asOther(q), r...)}} }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				first := true
				line := &fakeLine{answer: func(q []byte) []said {
					if r := good.reply(q); !first {
						return []said{{5 * ms, r}}
					}
					first = false
					return tc.says(q, good.reply(q))
				}}
				b := busOn(line)
				if got, err := b.Ask(t.Context(), a); collector.KindOf(err) != tc.kind || err == nil {
					t.Fatalf("got %v, %v, want %s", got.Regs, err, tc.kind)
				}
				time.Sleep(50 * ms)
				for {
					// Another master was heard where a foreign frame came: we keep off for a moment.
					got, err := b.Ask(t.Context(), next)
					if err != nil && (strings.Contains(err.Error(), "another master") || strings.Contains(err.Error(), "could not be told")) {
						time.Sleep(time.Second)
						continue
					}
					if err != nil {
						t.Fatalf("the next one: %v", err)
					}
					want(t, next, got.Regs)
					return
				}
			})
		})
	}
}

// A device that answers after the time-out, and answers every question in turn: no answer
// is ever taken for another's, however late.
func TestLateAnswersAreNeverTakenForOthers(t *testing.T) {
	t.Parallel()
	for _, late := range []time.Duration{1010 * ms, 1299 * ms, 1301 * ms, 1305 * ms, 1400 * ms, 2 * time.Second, 4 * time.Second} {
		t.Run(late.String(), func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				n := 0
				var busy time.Time // the device answers one question after the other
				line := &fakeLine{answer: func(q []byte) []said {
					n++
					takes := 5 * ms
					if n%4 == 1 {
						takes = late
					}
					if busy.Before(time.Now()) {
						busy = time.Now()
					}
					busy = busy.Add(takes)
					return []said{{time.Until(busy), bank{unit: 1, read: counting}.reply(q)}}
				}}
				b := busOn(line)
				right := 0
				for i := range 60 {
					a := Ask{Unit: 1, Table: Holding, Address: uint16(10 * i), Count: 1 + i%2}
					got, err := b.Ask(t.Context(), a)
					if err == nil {
						want(t, a, got.Regs)
						right++
					}
				}
				if right < 20 {
					t.Errorf("only %d of 60 were answered", right)
				}
			})
		})
	}
}

// A device that needs 0.6 s is given it, though the first guess was less; one that answers
// at once does not cost the first guess when it sleeps.
func TestTimeoutIsLearned(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		slow := bank{unit: 1, read: counting, delay: 600 * ms}
		b := busOn(&fakeLine{answer: slow.answer})
		b.Declare(1, 300*ms, 0)
		answered := 0
		for range 20 {
			if _, err := b.Ask(t.Context(), Ask{Unit: 1, Table: Holding, Address: 5, Count: 2}); err == nil {
				answered++
			}
			time.Sleep(10 * time.Second)
		}
		if answered < 15 {
			t.Errorf("answered %d of 20", answered)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		asleep := false
		quick := bank{unit: 1, read: counting, delay: 10 * ms}
		b := busOn(&fakeLine{answer: func(q []byte) []said {
			if asleep {
				return nil
			}
			return quick.answer(q)
		}})
		for range 20 {
			ask(t, b, Ask{Unit: 1, Table: Holding, Address: 5, Count: 2})
		}
		asleep = true
		began := time.Now()
		_, err := b.Ask(t.Context(), Ask{Unit: 1, Table: Holding, Address: 5, Count: 2})
		if took := time.Since(began); collector.KindOf(err) != collector.Timeout || took > 400*ms {
			t.Errorf("got %v after %s", err, took)
		}
		for range 8 { // and it is found again
			_, _ = b.Ask(t.Context(), Ask{Unit: 1, Table: Holding, Address: 5, Count: 2})
		}
		asleep = false
		time.Sleep(20 * time.Second)
		ask(t, b, Ask{Unit: 1, Table: Holding, Address: 5, Count: 2})
	})
}

// An adapter that is pulled out: the error is of the kind port, tries are spaced, and the
// line works when it is back.
func TestLineIsOpenedAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: bank{unit: 1, read: counting}.answer}
		b := busOn(line)
		tries := 0
		dial := b.dial
		b.dial = func(ctx context.Context) (link, error) { tries++; return dial(ctx) }
		a := Ask{Unit: 1, Table: Holding, Address: 7, Count: 1}
		want(t, a, ask(t, b, a))
		line.broken = errGone
		for range 600 { // ten minutes, asked every second
			if _, err := b.Ask(t.Context(), a); collector.KindOf(err) != collector.Port {
				t.Fatalf("got %v", err)
			}
			time.Sleep(time.Second)
		}
		if tries < 12 || tries > 30 {
			t.Errorf("opened %d times in ten minutes", tries)
		}
		line.broken = nil
		time.Sleep(time.Minute + 15*time.Second) // the longest wait, and its random part
		got, err := b.Ask(t.Context(), a)
		if err != nil || got.Opened != 2 {
			t.Errorf("got opening %d, %v", got.Opened, err)
		}
		want(t, a, got.Regs)
	})
}

// A line that takes no bytes must not hold up its asker for ever.
func TestStuckLineIsGivenUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		w := &stuckWire{release: make(chan struct{})}
		b := NewBus(Settings{Port: "/dev/boathouse", Mode: Mode{Baud: 9600}})
		b.dial = func(context.Context) (link, error) { return b.rtuOn(w, 50*ms), nil }
		_, err := b.Ask(t.Context(), Ask{Unit: 1, Table: Holding, Address: 7, Count: 1})
		if collector.KindOf(err) != collector.Port || !strings.Contains(err.Error(), "takes no bytes") {
			t.Errorf("got %v", err)
		}
		synctest.Wait()
		if w.closed {
			t.Error("the line was closed under a write")
		}
		close(w.release)
		synctest.Wait()
		if !w.closed {
			t.Error("the line was not closed after the write")
		}
	})
}

type stuckWire struct {
	release chan struct{}
	timeout time.Duration
	closed  bool
}

func (w *stuckWire) Write(p []byte) (int, error)          { <-w.release; return len(p), nil }
func (w *stuckWire) Read([]byte) (int, error)             { time.Sleep(w.timeout); return 0, nil }
func (w *stuckWire) SetReadTimeout(d time.Duration) error { w.timeout = d; return nil }
func (w *stuckWire) Close() error                         { w.closed = true; return nil }

// Several goroutines on one line: each gets its own answers, and nobody speaks before the
// line was silent for 3.5 characters.
func TestOneOwnerManyAskers(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var asked []time.Time
		one, two := bank{unit: 1, read: counting}, bank{unit: 2, read: counting}
		b := busOn(&fakeLine{answer: func(q []byte) []said {
			asked = append(asked, time.Now())
			return append(one.answer(q), two.answer(q)...)
		}})
		var wg sync.WaitGroup
		for g := range 6 {
			wg.Go(func() {
				for i := range 20 {
					a := Ask{Unit: byte(1 + g%2), Table: Input, Address: uint16(g*1000 + i), Count: 2}
					got, err := b.Ask(t.Context(), a)
					if err != nil {
						t.Errorf("%s: %v", a, err)
						continue
					}
					want(t, a, got.Regs)
				}
			})
		}
		wg.Wait()
		for i := range asked[1:] { // the answer came 5 ms after the question
			if gap := asked[i+1].Sub(asked[i]) - 5*ms; gap < pause35(9600) {
				t.Fatalf("question %d came %s after an answer", i+2, gap)
			}
		}
	})
}

// Another master on the line, asking unit 9 every two seconds: it is noticed, and given way
// to. The values that we do read are right.
func TestAnotherMasterIsGivenWayTo(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		one, nine := bank{unit: 1, read: counting}, bank{unit: 9, read: counting}
		line := &fakeLine{answer: one.answer}
		b := busOn(line)
		ctx, stop := context.WithCancel(t.Context())
		var other sync.WaitGroup
		defer other.Wait()
		defer stop()
		other.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				q := seal([]byte{9, 3, 0, byte(i), 0, 4})
				line.mu.Lock()
				line.say(said{0, q}, said{30 * ms, nine.reply(q)})
				line.mu.Unlock()
				time.Sleep(1900 * ms)
			}
		})
		right := 0
		for i := range 60 {
			a := Ask{Unit: 1, Table: Holding, Address: uint16(i), Count: 4}
			got, err := b.Ask(t.Context(), a)
			if err == nil {
				want(t, a, got.Regs)
				right++
			}
			time.Sleep(time.Second)
		}
		if n := b.Strangers(); n < 20 {
			t.Errorf("noticed %d frames of the other master", n)
		}
		if right < 40 {
			t.Errorf("answered %d of 60", right)
		}
	})
}

// One frame in ten minutes may be noise; two are another master, for ten minutes.
func TestOneStrangeFrameIsNotBelieved(t *testing.T) {
	t.Parallel()
	var tr traffic
	now := time.Now()
	for i, step := range []struct {
		after   time.Duration
		frames  int
		present bool
		all     int
	}{{0, 1, false, 0}, {11 * time.Minute, 1, false, 0}, {time.Minute, 1, true, 2}, {9 * time.Minute, 0, true, 2}, {2 * time.Minute, 0, false, 2},
		{0, 1, false, 2}, {time.Minute, 2, true, 5}} {
		now = now.Add(step.after)
		tr.heard(step.frames, now)
		if tr.present(now) != step.present || tr.frames != step.all {
			t.Errorf("step %d: present %v, %d frames", i, tr.present(now), tr.frames)
		}
		tr.collided(now)
		if held := tr.hold.After(now); held != step.present {
			t.Errorf("step %d: kept off the line: %v", i, held)
		}
	}
}

// A device that mostly answers at once, and now and then after 0.7 s: it is given the time
// after it was late once.
func TestHiccupIsRemembered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n, missed := 0, 0
		good := bank{unit: 1, read: counting}
		b := busOn(&fakeLine{answer: func(q []byte) []said {
			n++
			if n%40 == 0 {
				return []said{{700 * ms, good.reply(q)}}
			}
			return good.answer(q)
		}})
		for i := range 400 {
			a := Ask{Unit: 1, Table: Holding, Address: uint16(i), Count: 2}
			got, err := b.Ask(t.Context(), a)
			if err != nil {
				missed++
			} else {
				want(t, a, got.Regs)
			}
			time.Sleep(10 * time.Second)
		}
		if missed > 2 {
			t.Errorf("missed %d of 10 late answers", missed)
		}
	})
}

// A line that never falls silent is told, and does not hold up the asker.
func TestLineIsNeverSilent(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: bank{unit: 1, read: counting}.answer}
		var babble []said
		for range 4000 {
			babble = append(babble, said{2 * ms, []byte{0x55}})
		}
		line.say(babble...)
		_, err := busOn(line).Ask(t.Context(), Ask{Unit: 1, Table: Holding, Address: 7, Count: 1})
		if collector.KindOf(err) != collector.Foreign || !strings.Contains(err.Error(), "never silent") {
			t.Errorf("got %v", err)
		}
	})
}

// On a line where characters take their time, an answer that begins before the question
// can have ended is to an earlier one.
func TestAnswerBeforeTheQuestionEnded(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		early := true
		good := bank{unit: 1, read: counting}
		line := &fakeLine{answer: func(q []byte) []said {
			if early {
				early = false
				return []said{{2 * ms, good.reply(q)}}
			}
			return []said{{13 * ms, good.reply(q)}}
		}}
		b := busOn(line)
		b.dial = func(context.Context) (link, error) {
			r := b.rtuOn(line, 50*ms)
			r.paced = true
			return r, nil
		}
		a := Ask{Unit: 1, Table: Holding, Address: 7, Count: 1}
		if _, err := b.Ask(t.Context(), a); collector.KindOf(err) != collector.Foreign {
			t.Errorf("got %v", err)
		}
		time.Sleep(time.Minute)
		want(t, a, ask(t, b, a))
	})
}

// The books of what may still come: a question is asked with a length that none of the last
// seconds had, an answer like another's is not believed, and only what is sure settles.
func TestRecent(t *testing.T) {
	t.Parallel()
	now := time.Now()
	var r recent
	one, two := Ask{Unit: 1, Table: Holding, Address: 10, Count: 1}, Ask{Unit: 1, Table: Holding, Address: 50, Count: 1, Spare: 3}
	frame, other := seal([]byte{1, 3, 2, 0, 7}), seal([]byte{1, 3, 2, 0, 8})
	r.add(one, lateFor, now)
	if q, wait := r.choose(two, time.Time{}, now); q.Count != 2 || !wait.IsZero() {
		t.Errorf("beside an open question: %+v, %v", q, wait)
	}
	narrow := two
	narrow.Spare = 0
	if q, wait := r.choose(narrow, time.Time{}, now); q.Count != 1 || wait.Sub(now) != lateFor {
		t.Errorf("beside an open question without room: %+v, %v", q, wait)
	}
	if known, late := r.stray(other, now.Add(time.Second), now.Add(time.Second)); !known || !late {
		t.Error("the late answer is not known")
	}
	now = now.Add(time.Second)
	if q, wait := r.choose(narrow, time.Time{}, now); q != narrow || !wait.IsZero() {
		t.Errorf("after the late answer: %+v, %v", q, wait)
	}
	r.add(narrow, lateFor, now)
	if r.copyUntil(narrow, other, now).IsZero() || !r.copyUntil(narrow, frame, now).IsZero() {
		t.Error("a copy is not told from an answer")
	}
	r.answered(frame, now)
	if known, late := r.stray(frame, now.Add(300*ms), now.Add(300*ms)); !known || late || r.twice() != 600*ms {
		t.Errorf("a copy after 0.3 s: known %v, late %v; copies are waited for %v", known, late, r.twice())
	}
	if r.stray(seal([]byte{1, 3, 4, 0, 7, 0, 8}), now, now); !r.troubled(now) || r.troubled(now.Add(2*time.Hour)) {
		t.Error("the trouble is not remembered for an hour")
	}
}

// A refusal says neither which registers it is about nor how many.
func TestRefusalsOfTwoQuestions(t *testing.T) {
	t.Parallel()
	now := time.Now()
	var r recent
	refusal := seal([]byte{1, 0x83, 2})
	for _, n := range []int{1, 2} {
		r.add(Ask{Unit: 1, Table: Holding, Address: 10, Count: n}, lateFor, now)
	}
	if until := r.refusalUntil(now); until.Sub(now) != lateFor {
		t.Errorf("a refusal beside an open question is sure after %v", until.Sub(now))
	}
	if known, _ := r.stray(refusal, now, now); !known || r.list[0].open.IsZero() || r.list[1].open.IsZero() {
		t.Error("a refusal settled a question that it may not be meant for")
	}
	r.answered(seal([]byte{1, 3, 4, 0, 7, 0, 8}), now)
	if r.stray(refusal, now, now); !r.list[0].open.IsZero() {
		t.Error("a refusal that can be meant for one question only did not settle it")
	}
}

func TestAskDescribes(t *testing.T) {
	t.Parallel()
	got := []string{Ask{Unit: 1, Table: Holding, Address: 5, Count: 1}.String(), Ask{Unit: 2, Table: Input, Address: 5, Count: 3}.describe(1), fmt.Sprint(Holding)}
	if !slices.Equal(got, []string{"holding register 5 of unit 1", "input registers 6 to 8 of unit 2", "holding"}) {
		t.Errorf("got %q", got)
	}
}
