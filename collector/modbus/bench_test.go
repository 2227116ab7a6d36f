package modbus

import (
	"context"
	"fmt"
	"slices"
	"syscall"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/serial"
)

// spread is a map whose points reach over n registers, as a plan reads them: in one
// question.
func spreadMap(n int) layout {
	m := Map{}
	for i := range min(n, 14) {
		q := reading.Quantity(i)
		if q == reading.ChargeStage {
			q = reading.ControllerSoC
		}
		at := i * (n - 1) / (min(n, 14) - 1)
		m.Registers = append(m.Registers, Register{Quantity: q.String(), Address: at, Scale: 0.0001})
	}
	return m.compile(func(key, what string) { panic(key + ": " + what) })
}

// cpu is the processor time that this process has used.
func cpu(b *testing.B) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		b.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// A poll against the time that its bytes take on the line: question, answer, and the
// silence of 3.5 characters after each. The device is a program of its own that takes this
// time to the character. cpu-s/day is for a poll every 10 s.
func BenchmarkPoll(b *testing.B) {
	for _, baud := range []int{9600, 19200} {
		for _, n := range []int{2, 10, 40} {
			b.Run(fmt.Sprintf("baud=%d/registers=%d", baud, n), func(b *testing.B) { benchPoll(b, baud, n) })
		}
	}
}

func benchPoll(b *testing.B, baud, n int) {
	port := needtest.Peer(b, python(b), "testdata/paced_slave.py", fmt.Sprint(baud), "1")
	bus := NewBus(Settings{Port: port, Mode: Mode{Baud: baud, Parity: "none", StopBits: 1}})
	bus.dial = func(context.Context) (link, error) {
		w, err := serial.Open(port, bus.settings.Mode)
		if err != nil {
			return nil, err
		}
		r := bus.rtuOn(w, 50*time.Millisecond)
		r.paced = true // as a real line is
		return r, nil
	}
	defer func() { _ = bus.Close() }()
	src := newMapped(bus, 1, spreadMap(n))
	if len(src.blocks) != 1 {
		b.Fatalf("%d questions", len(src.blocks))
	}
	if _, err := src.Read(b.Context()); err != nil { // opens the line
		b.Fatal(err)
	}
	var took []time.Duration
	lost := 0
	used := cpu(b)
	for b.Loop() {
		began := time.Now()
		values, err := src.Read(b.Context())
		if err != nil { // where the machine is so busy that the device falters within a frame
			lost++
			continue
		}
		if len(values) != len(src.layout.points) {
			b.Fatal(values)
		}
		took = append(took, time.Since(began))
	}
	if len(took) == 0 {
		b.Fatal("no poll went well")
	}
	slices.Sort(took)
	b.ReportMetric(float64(lost)/float64(b.N), "lost/op")
	wire := time.Duration(requestSize+5+2*n)*bus.settings.Char() + 2*pause35(baud)
	b.ReportMetric(float64(took[len(took)/2])/float64(wire), "x-wire") // the median: others use this machine too
	b.ReportMetric(float64(cpu(b)-used)/float64(b.N)*8640/1e9, "cpu-s/day")
}
