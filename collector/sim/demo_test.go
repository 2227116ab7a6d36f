package sim

import (
	"bytes"
	"context"
	"math"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector/reading"
)

// The story that the demonstration tells, by the truth: a full battery on the first day,
// two grey days that take it below the usual reserve, and full again before five days (five
// minutes of a watcher's time) are over.
func TestDemoStory(t *testing.T) {
	t.Parallel()
	for _, seed := range []uint64{DefaultSeed, 1, 2, 3, 4} {
		s := New(DemoSpec(seed))
		var full, least, back time.Duration
		low := 1.0
		for at := time.Duration(0); at < 5*24*time.Hour; at += 5 * time.Minute {
			s.Step(5 * time.Minute)
			tr := s.Truth()
			if tr.Full && full == 0 {
				full = at
			}
			if tr.SoC < low && at > 24*time.Hour && back == 0 {
				low, least = tr.SoC, at
			}
			if low < 0.3 && tr.SoC > 0.8 && back == 0 {
				back = at
			}
		}
		t.Logf("seed %d: full after %v, least %.2f after %v, above 0.8 after %v", seed, full, low, least, back)
		if full == 0 || full > 10*time.Hour {
			t.Errorf("seed %d: full after %v, want the first day", seed, full)
		}
		if low > 0.2 || low < 0.03 || least < 72*time.Hour {
			t.Errorf("seed %d: least charge %.2f after %v", seed, low, least)
		}
		if back == 0 || back > 108*time.Hour {
			t.Errorf("seed %d: above 0.8 again after %v, want at most 108 h", seed, back)
		}
	}
}

// A true full must be to be seen in the readings: the absorption voltage held for a while
// with a small current.
func TestDemoShowsAFull(t *testing.T) {
	t.Parallel()
	s := New(DemoSpec(DefaultSeed))
	held, most := 0, 0
	for range 12 * 12 {
		s.Step(5 * time.Minute)
		r := s.Reading()
		volts, _ := r.Get(reading.BatteryVolts)
		amps, _ := r.Get(reading.BatteryAmps)
		if held++; volts < 14.1 || amps > 4.5 {
			held = 0
		}
		most = max(most, held)
	}
	if most < 4 {
		t.Errorf("held at absorption with the current tapered for %d readings of 5 min, want at least 4", most)
	}
}

// Plain counting must go wrong on this node, or the demonstration shows nothing: 30 mA of
// offset and 0.8 W past the meters are some 2 Ah a day.
func TestPlainCountingDriftsOff(t *testing.T) {
	t.Parallel()
	s := New(DemoSpec(DefaultSeed))
	counted := s.Truth().SoC
	var anchored bool
	for range int(90 * time.Hour / (5 * time.Minute)) {
		s.Step(5 * time.Minute)
		r := s.Reading()
		amps, _ := r.Get(reading.BatteryAmps)
		counted += amps * 5 / 60 / s.Spec().Battery.LabelAh
		if s.Truth().Full && s.Truth().Stage == reading.Float {
			counted, anchored = 1, true
		}
	}
	wrong := counted - s.Truth().SoC
	t.Logf("after 90 h the count says %.2f, the truth is %.2f", counted, s.Truth().SoC)
	if !anchored || wrong < 0.05 || math.IsNaN(wrong) {
		t.Errorf("plain counting is off by %.3f, want at least 0.05", wrong)
	}
}

func TestDemoTimeRunsFast(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		live := NewLive(New(DemoSpec(1)), 1440)
		time.Sleep(time.Second)
		if now := live.Now(); now.Mono != 0 || !now.Wall.Equal(DemoStart()) {
			t.Errorf("time passed before it began: %+v", now)
		}
		live.Begin()
		for range 600 { // somebody asks ten times a second
			time.Sleep(100 * time.Millisecond)
			live.Now()
		}
		if now := live.Now(); now.Mono != 24*time.Hour || !now.Trusted {
			t.Errorf("after a minute %v, want a day", now.Mono)
		}
		live.Look(func(s *Site) {
			if got := s.Now().Sub(DemoStart()); got != 24*time.Hour {
				t.Errorf("the site is %v old, want a day", got)
			}
		})
		time.Sleep(10 * time.Second) // the machine was busy
		if now := live.Now(); now.Mono != 24*time.Hour+6*time.Minute {
			t.Errorf("the site lived %v through a stop of the machine, want 6 minutes", now.Mono-24*time.Hour)
		}
	})
}

func TestDemoAnswersOnTheWireAndLeavesNothing(t *testing.T) {
	d, err := NewDemo(DemoOptions{Speed: 1e5})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	conn, err := net.Dial("tcp", d.TCP)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	got := ask(t, conn, []byte{0, 1, 0, 0, 0, 6, 1, 4, 1, 0, 0, 1}, 11)
	if volts := float64(int(got[9])<<8|int(got[10])) / 100; volts < 12 || volts > 14.5 {
		t.Errorf("battery at %.2f V: % X", volts, got)
	}
	if d.RTU == "" {
		t.Logf("no serial line: %v", d.NoRTU)
	}
	values, err := d.Paths().Read(ctx)
	if err != nil || len(values) != 10 || values[0].Of != "gate" || values[0].X != 1 {
		t.Errorf("paths: %v, %v", values, err)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("the demonstration ended with: %v", err)
	}
	if late, err := net.Dial("tcp", d.TCP); err == nil {
		late.Close()
		t.Error("it still listens")
	}
	if err := d.Run(t.Context()); err == nil {
		t.Error("it ran twice")
	}
}

func TestDemoConfigNamesItsParts(t *testing.T) {
	d, err := NewDemo(DemoOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	text := d.Config("/tmp/map.yaml", false)
	for _, want := range []string{d.TCP, "/tmp/map.yaml", "capacity_ah: 100", "charger: mppt", "timezone: Europe/Amsterdam"} {
		if !strings.Contains(text, want) {
			t.Errorf("the configuration lacks %s:\n%s", want, text)
		}
	}
	if d.Real(24*time.Hour) != time.Minute {
		t.Errorf("a day takes %v", d.Real(24*time.Hour))
	}
	if _, err := NewDemo(DemoOptions{Speed: -1}); err == nil {
		t.Error("a negative speed was taken")
	}
	if !bytes.Contains(d.Map, []byte("quantity: battery_amps, table: input, address: 257, type: s16, scale: 0.01")) {
		t.Errorf("the map lacks the battery current:\n%s", d.Map)
	}
}
