package modbus

import (
	"context"
	"encoding/hex"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbwatch/collector/serial"
)

// said is something that a line says after a while.
type said struct {
	after time.Duration
	bytes []byte
}

// fakeLine is a wire in memory. Its device answers each question by a function; without
// real time passing, since the tests run in bubbles.
type fakeLine struct {
	mu      sync.Mutex
	answer  func(request []byte) []said
	queue   []arrival
	timeout time.Duration
	asked   [][]byte
	broken  error
	closed  bool
	full    bool // takes no bytes
}

type arrival struct {
	at    time.Time
	bytes []byte
}

func (l *fakeLine) SetReadTimeout(d time.Duration) error { l.timeout = d; return nil }

func (l *fakeLine) Write(p []byte) (int, error) {
	if l.full {
		select {} // for ever, as on a line with flow control
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.broken != nil {
		return 0, l.broken
	}
	l.asked = append(l.asked, append([]byte(nil), p...))
	l.say(l.answer(p)...)
	return len(p), nil
}

// say puts bytes on the line, each some time after the one before.
func (l *fakeLine) say(all ...said) {
	at := time.Now()
	for _, s := range all {
		at = at.Add(s.after)
		l.queue = append(l.queue, arrival{at, s.bytes})
	}
}

func (l *fakeLine) Read(p []byte) (int, error) {
	until := time.Now().Add(l.timeout)
	for {
		l.mu.Lock()
		if l.broken != nil {
			defer l.mu.Unlock()
			return 0, l.broken
		}
		// What arrives is read in order of arrival.
		first := -1
		for i, a := range l.queue {
			if !a.at.After(time.Now()) && (first < 0 || a.at.Before(l.queue[first].at)) {
				first = i
			}
		}
		if first >= 0 {
			defer l.mu.Unlock()
			n := copy(p, l.queue[first].bytes)
			l.queue = append(l.queue[:first], l.queue[first+1:]...)
			return n, nil
		}
		wake := until
		for _, a := range l.queue {
			if a.at.Before(wake) {
				wake = a.at
			}
		}
		l.mu.Unlock()
		if !wake.After(time.Now()) {
			return 0, nil
		}
		time.Sleep(time.Until(wake))
	}
}

func (l *fakeLine) Close() error { l.closed = true; return nil }

// bank is a device with registers, as a function of the question.
type bank struct {
	unit  byte
	read  func(t Table, addr uint16) (value uint16, there bool)
	limit int // most registers in one answer; 0 is any number
	delay time.Duration
}

// reply is the right answer to a request, or nil when it is not for this unit.
func (b bank) reply(request []byte) []byte {
	if request[0] != b.unit {
		return nil
	}
	addr, n := int(request[2])<<8|int(request[3]), int(request[4])<<8|int(request[5])
	refuse := func(code byte) []byte { return seal([]byte{b.unit, request[1] | 0x80, code}) }
	if b.limit > 0 && n > b.limit {
		return refuse(3)
	}
	out := []byte{b.unit, request[1], byte(2 * n)}
	for i := range n {
		v, there := b.read(Table(request[1]), uint16(addr+i))
		if !there {
			return refuse(2)
		}
		out = append(out, byte(v>>8), byte(v))
	}
	return seal(out)
}

func (b bank) answer(request []byte) []said {
	r := b.reply(request)
	if r == nil {
		return nil
	}
	return []said{{b.delay + 5*time.Millisecond, r}}
}

// values is a bank's read function from a table of registers.
func values(held map[uint16]uint16) func(Table, uint16) (uint16, bool) {
	return func(_ Table, addr uint16) (uint16, bool) { v, there := held[addr]; return v, there }
}

// counting gives every register a value that says which it is.
func counting(t Table, addr uint16) (uint16, bool) { return addr*7 + uint16(t), true }

// seal adds the check sum.
func seal(p []byte) []byte {
	crc := serial.CRC16(p)
	return append(p, byte(crc), byte(crc>>8))
}

// busOn makes a bus whose line is the fake one, opened anew each time.
func busOn(line *fakeLine) *Bus {
	b := NewBus(Settings{Port: "/dev/boathouse", Mode: Mode{Baud: 9600, Parity: "none", StopBits: 1}})
	b.dial = func(context.Context) (link, error) {
		line.mu.Lock()
		defer line.mu.Unlock()
		if line.broken != nil {
			return nil, line.broken
		}
		line.closed = false
		return b.rtuOn(line, 50*time.Millisecond), nil
	}
	return b
}

// unhex reads bytes as tables print them.
func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatalf("cannot read %q: %v", text, err)
	}
	return b
}

var errGone = errors.New("input/output error")
