package modbus

import (
	"encoding/binary"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"ebbwatch/collector"
)

// tcpDevice is a server whose answer to each question is a function of it. A nil answer
// closes the connection.
func tcpDevice(t testing.TB, answer func(n int, question []byte) []byte) (address string, dials *atomic.Int32) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	dials = &atomic.Int32{}
	var asked atomic.Int32
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return // closed at the end of the test
			}
			dials.Add(1)
			go func() {
				defer func() { _ = c.Close() }()
				for {
					q := make([]byte, 12)
					if _, err := io.ReadFull(c, q); err != nil {
						return
					}
					a := answer(int(asked.Add(1)), q)
					if a == nil {
						return
					}
					if _, err := c.Write(a); err != nil {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String(), dials
}

// rightTCP is the right answer: the registers hold their numbers.
func rightTCP(q []byte) []byte {
	addr, n := binary.BigEndian.Uint16(q[8:]), int(binary.BigEndian.Uint16(q[10:]))
	a := append(slices.Clone(q[:8]), byte(2*n))
	for i := range n {
		a = binary.BigEndian.AppendUint16(a, addr+uint16(i))
	}
	binary.BigEndian.PutUint16(a[4:], uint16(len(a)-6))
	return a
}

// What is wrong with an answer is told by its kind, the connection is closed, and the next
// answer is right. A refusal leaves it open.
func TestTCPDamage(t *testing.T) {
	t.Parallel()
	change := func(q []byte, f func(a []byte)) []byte { a := rightTCP(q); f(a); return a }
	for _, tc := range []struct {
		name   string
		kind   collector.ErrorKind
		redial bool
		bad    func(q []byte) []byte
	}{
		{"refused", collector.Exception, false, func(q []byte) []byte {
			return []byte{q[0], q[1], 0, 0, 0, 3, q[6], q[7] | 0x80, 2}
		}},
		{"closed", collector.Port, true, func([]byte) []byte { return nil }},
		{"no answer", collector.Timeout, true, func([]byte) []byte { return []byte{} }},
		{"half an answer", collector.Timeout, true, func(q []byte) []byte { return rightTCP(q)[:11] }},
		{"to another question", collector.Foreign, true, func(q []byte) []byte { return change(q, func(a []byte) { a[1]++ }) }},
		{"from another unit", collector.Foreign, true, func(q []byte) []byte { return change(q, func(a []byte) { a[6]++ }) }},
		{"to another function", collector.Foreign, true, func(q []byte) []byte { return change(q, func(a []byte) { a[7]++ }) }},
		{"another protocol", collector.Short, true, func(q []byte) []byte { return change(q, func(a []byte) { a[2] = 1 }) }},
		{"a register too few", collector.Short, true, func(q []byte) []byte {
			a := rightTCP(q)
			a[8], a[5] = a[8]-2, a[5]-2
			return a[:len(a)-2]
		}},
		{"wrong byte count", collector.Short, true, func(q []byte) []byte { return change(q, func(a []byte) { a[8]-- }) }},
		{"no data", collector.Short, true, func(q []byte) []byte { return []byte{q[0], q[1], 0, 0, 0, 2, q[6], q[7]} }},
		{"nothing at all", collector.Short, true, func(q []byte) []byte { return []byte{q[0], q[1], 0, 0, 0, 1, q[6]} }},
		{"length nought", collector.Short, true, func(q []byte) []byte { return []byte{q[0], q[1], 0, 0, 0, 0, q[6]} }},
		{"far too long", collector.Short, true, func(q []byte) []byte { return change(q, func(a []byte) { a[4] = 0xFF }) }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			address, dials := tcpDevice(t, func(n int, q []byte) []byte {
				if n == 1 {
					return tc.bad(q)
				}
				return rightTCP(q)
			})
			b := NewBus(Settings{TCP: address})
			defer func() { _ = b.Close() }()
			b.Declare(255, 150*ms, 0)
			a := Ask{Unit: 255, Table: Input, Address: 300, Count: 4}
			if got, err := b.Ask(t.Context(), a); collector.KindOf(err) != tc.kind || err == nil {
				t.Fatalf("got %v, %v, want %s", got.Regs, err, tc.kind)
			}
			b.Declare(255, 5000*ms, 0) // the machine may be busy
			got, err := b.Ask(t.Context(), a)
			if err != nil || !slices.Equal(got.Regs, []uint16{300, 301, 302, 303}) {
				t.Errorf("the next one: got %v, %v", got.Regs, err)
			}
			if n := dials.Load(); (n == 2) != tc.redial {
				t.Errorf("dialled %d times", n)
			}
		})
	}
}

// A connection that carries RTU frames and has died without a word is dialled again.
func TestDeadConnectionIsDialledAgain(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	go func() {
		for first := true; ; first = false {
			c, err := l.Accept()
			if err != nil {
				return // closed at the end of the test
			}
			go func() {
				defer func() { _ = c.Close() }()
				q := make([]byte, requestSize)
				for {
					if _, err := io.ReadFull(c, q); err != nil {
						return
					}
					if first {
						continue // hears, and says nothing
					}
					_, _ = c.Write(bank{unit: 1, read: counting}.reply(q))
				}
			}()
		}
	}()
	b := NewBus(Settings{RTUTCP: l.Addr().String(), Mode: Mode{Baud: 115200}})
	defer func() { _ = b.Close() }()
	b.Declare(1, 20*ms, 0)
	a := Ask{Unit: 1, Table: Holding, Address: 50, Count: 2}
	for range 3 {
		if _, err := b.Ask(t.Context(), a); collector.KindOf(err) != collector.Timeout {
			t.Fatalf("got %v", err)
		}
	}
	b.Declare(1, 5000*ms, 0) // the machine may be busy
	got, err := b.Ask(t.Context(), a)
	if err != nil || got.Opened != 2 {
		t.Fatalf("got opening %d, %v", got.Opened, err)
	}
	want(t, a, got.Regs)
}

// A host that cannot be reached is told, and not tried again at once.
func TestTCPUnreachable(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	_ = l.Close()
	b := NewBus(Settings{TCP: address})
	for _, says := range []string{"cannot reach " + address, "tried again in"} {
		if _, err := b.Ask(t.Context(), Ask{Unit: 1, Table: Holding, Address: 1, Count: 1}); collector.KindOf(err) != collector.Port || !strings.Contains(err.Error(), says) {
			t.Errorf("got %v, want %s", err, says)
		}
	}
}

// Whatever a server answers: no panic, and what is accepted is as long as was asked.
func FuzzTCPAnswer(f *testing.F) {
	q := []byte{0, 1, 0, 0, 0, 6, 17, 3, 0, 107, 0, 3}
	f.Add(rightTCP(q))
	f.Add([]byte{0, 1, 0, 0, 0, 3, 17, 0x83, 2})
	f.Add([]byte{0, 1, 0, 0, 0, 1, 17})
	f.Fuzz(func(t *testing.T, answer []byte) {
		address, _ := tcpDevice(t, func(n int, _ []byte) []byte {
			if n > 1 {
				return nil
			}
			return append([]byte{}, answer...)
		})
		b := NewBus(Settings{TCP: address})
		defer func() { _ = b.Close() }()
		b.Declare(17, 30*ms, 0)
		got, err := b.Ask(t.Context(), Ask{Unit: 17, Table: Holding, Address: 107, Count: 3})
		var typed *collector.Error
		if err == nil && len(got.Regs) != 3 || err != nil && !errors.As(err, &typed) {
			t.Errorf("% X: got %v, %v", answer, got.Regs, err)
		}
	})
}
