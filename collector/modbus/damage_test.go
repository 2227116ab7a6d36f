package modbus

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/serial"
)

// python finds the interpreter that Debian's packages belong to.
func python(t testing.TB) string {
	t.Helper()
	const path = "/usr/bin/python3"
	_, err := os.Stat(path)
	needtest.Need(t, path, err == nil)
	return path
}

// damager is the device of testdata/damage_slave.py.
type damager struct {
	port  string
	stdin io.WriteCloser
	out   *bufio.Scanner
}

func startDamager(t *testing.T) *damager {
	t.Helper()
	cmd := exec.Command(python(t), "testdata/damage_slave.py")
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	d := &damager{stdin: in, out: bufio.NewScanner(out)}
	t.Cleanup(func() { _ = in.Close(); _ = cmd.Wait() })
	if d.port, err = d.line(); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *damager) line() (string, error) {
	if !d.out.Scan() {
		return "", fmt.Errorf("the device has ended: %w", cmp.Or(d.out.Err(), io.EOF))
	}
	return d.out.Text(), nil
}

// damage orders one damaged answer, after skip right ones.
func (d *damager) damage(skip int, kind string, seed int, wait time.Duration) error {
	return d.order(fmt.Sprintf("%d,%s,%d,%d\n", skip, kind, seed, wait.Milliseconds()))
}

// idle waits until the device has nothing left to say.
func (d *damager) idle() error { return d.order("idle\n") }

func (d *damager) order(command string) error {
	if _, err := io.WriteString(d.stdin, command); err != nil {
		return err
	}
	if got, err := d.line(); got != "ok" {
		return fmt.Errorf("the device says %q (%w)", got, err)
	}
	return nil
}

type damageDone struct {
	Asked   int
	Damaged map[string]int
	Chance  int // wrong answers that passed every check by chance, and were drawn again
	Slowest int // polls until one was whole
}

func (d *damageDone) add(o damageDone) {
	d.Asked += o.Asked
	d.Chance += o.Chance
	d.Slowest = max(d.Slowest, o.Slowest)
	if d.Damaged == nil {
		d.Damaged = map[string]int{}
	}
	for kind, n := range o.Damaged {
		d.Damaged[kind] += n
	}
}

func damages() []string {
	return []string{"silence", "late", "truncated", "paused", "duplicated", "wrong id", "wrong length", "bits", "bytes", "noise", "merged", "lost bytes"}
}

// damagedMap has four questions of four shapes. A register tells in its upper byte which
// it is, and in its lower how many questions were asked before.
func damagedMap() layout {
	m := Map{MaxRegisters: 40}
	q := reading.Quantity(0)
	for _, at := range []struct {
		table    string
		from, to int
	}{{"holding", 10, 11}, {"holding", 100, 104}, {"input", 40, 41}, {"holding", 200, 203}} {
		for a := at.from; a < at.to; a++ {
			m.Registers = append(m.Registers, Register{Quantity: q.String(), Table: at.table, Address: a, Min: ptr(0.0), Max: ptr(65535.0)})
			if q++; q == reading.ChargeStage {
				q++
			}
		}
	}
	return m.compile(func(key, what string) { panic(key + ": " + what) })
}

// ledger checks what polls of the damaged map give: each register its own number, and none
// from before what was already heard.
type ledger struct {
	at  map[reading.Quantity]uint16
	seq byte
}

func newLedger(l layout) *ledger {
	g := &ledger{at: map[reading.Quantity]uint16{}}
	for _, p := range l.points {
		g.at[p.quantity] = p.addr
	}
	return g
}

func (g *ledger) check(values []reading.Value) error {
	for _, v := range values {
		x := uint16(v.X)
		if x>>8 != g.at[v.Quantity] {
			return fmt.Errorf("%s holds the number of register %d, it is register %d", v.Quantity, x>>8, g.at[v.Quantity])
		}
		if ahead := byte(x) - g.seq; ahead > 128 {
			return fmt.Errorf("%s is %d questions old", v.Quantity, -int8(ahead))
		}
		g.seq = byte(x)
	}
	return nil
}

// damagedBus opens the device's port with little patience, for the test to be quick.
func damagedBus(port string) *Bus {
	b := NewBus(Settings{Port: port, Mode: Mode{Baud: 115200, Parity: "none", StopBits: 1}})
	b.dial = func(context.Context) (link, error) {
		w, err := serial.Open(port, b.settings.Mode)
		if err != nil {
			return nil, err
		}
		return b.rtuOn(w, 20*time.Millisecond), nil
	}
	b.Declare(1, 20*time.Millisecond, 0)
	return b
}

// damageRounds does n rounds on a line of its own.
func damageRounds(ctx context.Context, d *damager, n int, seed uint64) (done damageDone, err error) {
	b := damagedBus(d.port)
	defer func() { _ = b.Close() }()
	l := damagedMap()
	src, books := newMapped(b, 1, l), newLedger(l)
	rng := rand.New(rand.NewPCG(seed, 5))
	kinds := damages()
	for i := range n {
		kind := kinds[(i+int(seed))%len(kinds)]
		if err := d.damage(rng.IntN(4), kind, rng.IntN(1<<30), b.unit(1).pace.wait()); err != nil {
			return done, err
		}
		pause := func() error { return nil }
		if kind == "duplicated" {
			// What is said again after a pause shows within a poll, by its shape. It could pass
			// for the answer to the very same question of the next poll, but polls are further
			// apart than that.
			pause = d.idle
		}
		polls, err := untilWhole(ctx, src, books, pause)
		if err != nil {
			return done, fmt.Errorf("round %d, %s: %w", i, kind, err)
		}
		done.Slowest = max(done.Slowest, polls)
	}
	_ = d.stdin.Close()
	text, err := d.line()
	if err != nil {
		return done, err
	}
	return done, json.Unmarshal([]byte(text), &done)
}

// untilWhole polls until a poll after the first one is whole. Any wrong value is an error.
func untilWhole(ctx context.Context, src *mapped, books *ledger, pause func() error) (polls int, err error) {
	for polls = 1; ; polls++ {
		// How another master is given way to has a test of its own; here it would only take
		// the time.
		src.bus.past.traffic = traffic{}
		values, err := src.Read(ctx)
		if wrong := books.check(values); wrong != nil {
			return polls, fmt.Errorf("a wrong value was accepted: %w (error: %w)", wrong, err)
		}
		if err := pause(); err != nil {
			return polls, err
		}
		if err == nil && len(values) == len(src.layout.points) && polls > 1 {
			return polls, nil
		}
		if collector.KindOf(err) == collector.Port || polls > 12 {
			return polls, fmt.Errorf("no whole poll after %d: %w", polls, err)
		}
	}
}

// Damaged exchanges with a device written in another language: whatever is late, cut,
// doubled, foreign, garbled or run together, no wrong value is accepted and the polls after
// it are whole again. A wrong answer whose unit, function, length and check sum are right
// cannot be told from a right one by anybody: 1 garbled frame in 65 536. The device draws
// those again and counts them. All errors of up to three bits are caught for certain.
func TestDamagedExchanges(t *testing.T) {
	t.Parallel()
	lines, rounds := 16, 1200
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		lines, rounds = 50, 100_000
	}
	var all sync.WaitGroup
	var mu sync.Mutex
	var sum damageDone
	for i := range lines {
		d := startDamager(t)
		all.Go(func() {
			done, err := damageRounds(t.Context(), d, rounds/lines, uint64(i))
			if err != nil {
				t.Errorf("line %d: %v", i, err)
			}
			mu.Lock()
			defer mu.Unlock()
			sum.add(done)
		})
	}
	all.Wait()
	t.Logf("%d questions, damaged answers %v, %d drawn again, at most %d polls to a whole one", sum.Asked, sum.Damaged, sum.Chance, sum.Slowest)
	total := 0
	for _, n := range sum.Damaged {
		total += n
	}
	if !t.Failed() && (total < rounds || len(sum.Damaged) != len(damages())) {
		t.Errorf("only %d damaged answers of %d: %v", total, rounds, sum.Damaged)
	}
}
