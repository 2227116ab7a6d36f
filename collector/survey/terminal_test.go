package survey

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/modbus"
	"ebbwatch/collector/sim"
)

func TestTerminal(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	talk := NewTerminal(t.Context(), strings.NewReader(" 13.26 \n\n"), &out)
	talk.Say("hello")
	for _, want := range []string{"13.26", ""} {
		if got, err := talk.Ask("volts?"); err != nil || got != want {
			t.Errorf("got %q, %v, want %q", got, err, want)
		}
	}
	if _, err := talk.Ask("more?"); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("at the end: %v", err)
	}
	if out.String() != "hello\nvolts? volts? more? " {
		t.Errorf("printed %q", out.String())
	}
}

func TestTerminalStopsWithItsContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	in, typist := io.Pipe()
	defer typist.Close()
	talk := NewTerminal(ctx, in, io.Discard)
	cancel()
	if _, err := talk.Ask("volts?"); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

// On a serial line a device must be found and read as over TCP.
func TestSurveyOnASerialLine(t *testing.T) {
	t.Parallel()
	line, err := sim.OpenLine()
	if err != nil {
		t.Fatal(err)
	}
	live := sim.NewLive(sim.New(sim.DemoSpec(4)), 1)
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- live.Slave(3).ServeRTU(ctx, line) }()
	s := &Survey{Talk: &script{}, Open: OpenBus, Now: time.Now, Wait: noWait}
	found, err := s.Probe(ctx, Options{Settings: modbus.Settings{Port: line.Path}, Unit: 3})
	if err != nil || found.Unit != 3 || found.Settings.Baud != 9600 {
		t.Fatalf("found %+v, %v", found, err)
	}
	bus := s.Open(found.Settings)
	img, err := s.Image(ctx, bus, 3, []Range{{modbus.Input, 256, 17}, {modbus.Holding, 16, 4}})
	if err != nil || len(img) != 21 {
		t.Errorf("%d registers, %v", len(img), err)
	}
	if err := bus.Close(); err != nil {
		t.Error(err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
}
