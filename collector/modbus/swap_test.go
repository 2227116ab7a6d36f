package modbus

import (
	"context"
	"encoding/binary"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector/reading"
)

// troubled is a device and a line that give every answer and every refusal late, twice, never
// or out of turn, by chance. It keeps what it truly answered, which the test compares.
type troubled struct {
	rng        *rand.Rand
	late       float64 // share of what is said later than 0.35 s, up to 2.2 s
	twice      float64 // share that is said again, 30 ms or 0.2 s after the first
	lost       float64 // share that never comes
	busy       float64 // share of questions that are refused for the moment
	neighbours int     // registers behind each that can be read too; they hold noise
	stride     int     // from one register to the next
	wild       bool    // late by up to 9 s, again after any time up to 0.48 s
	zero       float64 // share of the time that a register holds 0, as at night

	asked int
	holds map[uint16]uint16
	truth map[uint16][]uint16 // what each register was said to hold, since the poll began
}

// answer is the device: it computes the true answer at once, and lets chance say it.
func (d *troubled) answer(q []byte) []said {
	d.asked++
	from, count := binary.BigEndian.Uint16(q[2:]), int(binary.BigEndian.Uint16(q[4:]))
	frame := []byte{q[0], q[1], byte(2 * count)}
	for i := range count {
		at := from + uint16(i)
		if d.stride > 1 && int(at)%d.stride > d.neighbours {
			return d.say(seal([]byte{q[0], q[1] | 0x80, 2}))
		}
		x, same := d.holds[at]
		if !same || d.rng.Float64() < 0.02 { // it is another in each poll, and now and then in between
			if x = 0; d.rng.Float64() >= d.zero {
				x = uint16(d.rng.IntN(32000) + 1) // none of the codes for not measured
			}
			d.holds[at] = x
		}
		d.truth[at] = append(d.truth[at], x)
		frame = binary.BigEndian.AppendUint16(frame, x)
	}
	if d.rng.Float64() < d.busy {
		return d.say(seal([]byte{q[0], q[1] | 0x80, 6}))
	}
	return d.say(seal(frame))
}

func (d *troubled) say(frame []byte) []said {
	if d.rng.Float64() < d.lost {
		return nil
	}
	after := time.Duration(8+d.rng.IntN(20)) * ms
	if d.rng.Float64() < d.late {
		after = 350*ms + d.upTo(1850*ms, 9*time.Second)
	}
	all := []said{{after, frame}}
	if d.rng.Float64() < d.twice {
		again := []time.Duration{30 * ms, 200 * ms}[d.rng.IntN(2)]
		if d.wild {
			again = d.upTo(0, 480*ms)
		}
		all = append(all, said{again, frame})
	}
	return all
}

// upTo is a time up to most, or up to wildest on a wild line.
func (d *troubled) upTo(most, wildest time.Duration) time.Duration {
	if d.wild {
		most = wildest
	}
	return time.Duration(d.rng.Int64N(int64(max(most, 1))))
}

// polls is the outcome of many polls over one line.
type polls struct{ polls, exchanges, values, wanted, wrong int }

// live polls the device every ten seconds, as the daemon does.
func (d *troubled) live(t *testing.T, n int) (out polls) {
	d.truth, d.holds = map[uint16][]uint16{}, map[uint16]uint16{}
	m := Map{}
	for q := range reading.ChargeStage {
		m.Registers = append(m.Registers, Register{Quantity: q.String(), Address: int(q) * d.stride, Min: ptr(0.0), Max: ptr(65535.0)})
	}
	synctest.Test(t, func(t *testing.T) {
		src := newMapped(busOn(&fakeLine{answer: d.answer}), 1, m.compile(func(key, what string) { t.Errorf("%s: %s", key, what) }))
		for range n {
			clear(d.truth)
			clear(d.holds)
			began := time.Now()
			ctx, stop := context.WithTimeout(t.Context(), 8*time.Second)
			values, _ := src.Read(ctx)
			stop()
			for _, v := range values {
				ok := false
				for _, x := range d.truth[uint16(int(v.Quantity)*d.stride)] {
					ok = ok || float64(x) == v.X
				}
				if !ok {
					out.wrong++
				}
			}
			out.values += len(values)
			out.wanted += len(m.Registers)
			time.Sleep(10*time.Second - time.Since(began))
		}
	})
	out.polls, out.exchanges = n, d.asked
	return out
}

// No answer is taken for that to another question, whatever comes late, twice, never or out of
// turn, be it an answer or a refusal.
func TestNoAnswerIsTakenForAnother(t *testing.T) {
	t.Parallel()
	n, seed := 150, uint64(7)
	if os.Getenv("EBBWATCH_STUDY") != "" {
		n = 10000
	}
	if s, err := strconv.ParseUint(os.Getenv("EBBWATCH_SEED"), 10, 64); err == nil {
		seed = s
	}
	for _, tc := range []struct {
		name  string
		least float64 // share of the values that must come through
		d     troubled
	}{
		{"clean", 1, troubled{stride: 1}},
		{"clean, apart", 1, troubled{stride: 40, neighbours: 30}},
		{"clean, alone, at night", 0.8, troubled{stride: 40, zero: 0.5}},
		{"twice", 0.8, troubled{stride: 40, neighbours: 30, twice: 0.02, zero: 0.3}},
		{"twice, alone", 0.35, troubled{stride: 40, twice: 0.02, zero: 0.3}},
		{"late", 0.6, troubled{stride: 40, neighbours: 30, late: 0.12, zero: 0.3}},
		{"late, alone", 0.35, troubled{stride: 40, late: 0.12, zero: 0.3}},
		{"all", 0.5, troubled{stride: 40, neighbours: 30, late: 0.1, twice: 0.05, lost: 0.02, busy: 0.03, zero: 0.3}},
		{"all, alone", 0.15, troubled{stride: 40, late: 0.1, twice: 0.05, lost: 0.02, busy: 0.03, zero: 0.3}},
		{"wild", 0.25, troubled{stride: 40, neighbours: 30, late: 0.1, twice: 0.1, lost: 0.02, busy: 0.03, zero: 0.3, wild: true}},
		{"wild, alone", 0.05, troubled{stride: 40, late: 0.1, twice: 0.1, lost: 0.02, busy: 0.03, zero: 0.3, wild: true}},
		{"all, one block", 0.6, troubled{stride: 1, late: 0.1, twice: 0.05, lost: 0.02, busy: 0.03}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			d := tc.d
			d.rng = rand.New(rand.NewPCG(uint64(len(tc.name)), seed))
			got := d.live(t, n)
			t.Logf("%d polls, %d questions (%.2f a poll), %.1f %% of the values read, %d wrong", got.polls, got.exchanges,
				float64(got.exchanges)/float64(got.polls), 100*float64(got.values)/float64(got.wanted), got.wrong)
			if got.wrong > 0 {
				t.Errorf("%d of %d values are those of another question", got.wrong, got.values)
			}
			if share := float64(got.values) / float64(got.wanted); share < tc.least {
				t.Errorf("only %.2f of the values came, want %.2f", share, tc.least)
			}
		})
	}
}
