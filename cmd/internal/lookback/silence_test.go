package lookback

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert/cause"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/collector/reading"
)

func noon() time.Time { return time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC) }

// tape is an invented record: what was measured at a moment; nil where nothing was.
type tape struct {
	at    func(t time.Time) map[string]float64
	fails error
}

// Lookup samples the tape five times a step.
func (r tape) Lookup(_ context.Context, q history.Query) (history.Series, error) {
	if r.fails != nil {
		return history.Series{}, r.fails
	}
	step := q.To.Sub(q.From) / time.Duration(q.Points)
	s := history.Series{From: q.From, To: q.To, Step: step, Joules: map[string][]float64{}}
	for _, n := range q.Names {
		s.Columns = append(s.Columns, history.Column{Name: n})
	}
	for at := q.From; at.Before(q.To); at = at.Add(step) {
		var got []map[string]float64
		for i := range 5 {
			if m := r.at(at.Add(step * time.Duration(i) / 5)); m != nil {
				got = append(got, m)
			}
		}
		if len(got) == 0 {
			continue
		}
		s.Times = append(s.Times, at)
		joules := 0.0
		for _, m := range got {
			joules += m["pv_watts"] * step.Seconds() / 5
		}
		s.Joules["pv"] = append(s.Joules["pv"], joules)
		for i := range s.Columns {
			lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0.0
			for _, m := range got {
				if x, known := m[s.Columns[i].Name]; known {
					lo, hi, sum, n = min(lo, x), max(hi, x), sum+x, n+1
				}
			}
			if n == 0 {
				lo, hi, sum = math.NaN(), math.NaN(), math.NaN()
			}
			c := &s.Columns[i]
			c.Min, c.Mean, c.Max = append(c.Min, lo), append(c.Mean, sum/max(n, 1)), append(c.Max, hi)
		}
	}
	return s, nil
}

// winter is a node whose battery runs down over three grey days and that is off from four
// to eleven on the tenth.
func winter(t time.Time) map[string]float64 {
	off, on := noon().Add(-8*time.Hour), noon().Add(-time.Hour)
	if !t.Before(off) && t.Before(on) {
		return nil
	}
	left := off.Sub(t).Hours() // hours to the cut-off
	m := map[string]float64{"battery_volts": 13.1, "battery_soc": 0.8, "battery_soc_low": 0.75, "battery_soc_high": 0.85, "load_watts": 11,
		"battery_celsius": 4, "controller_celsius": 6, "peer_up/boathouse": 1, "peer_loss_ratio/boathouse": 0.01, "reserve_hours_p10": 100}
	if left > 0 && left < 60 {
		m["battery_soc"], m["battery_soc_low"], m["battery_soc_high"] = 0.05+left/100, 0.02+left/100, 0.09+left/100
		m["battery_volts"], m["cutoff_hours_p10"], m["cutoff_hours_p50"] = 11.9+left/50, left*0.8, left
	}
	if h := t.Hour(); h >= 9 && h < 15 {
		if m["pv_watts"] = 120; left < 72 {
			m["pv_watts"] = 30
		}
	}
	return m
}

func TestACutoffFromTheRecord(t *testing.T) {
	t.Parallel()
	peers := []string{"boathouse"}
	list, err := Find(t.Context(), tape{at: winter}, noon().Add(-7*24*time.Hour), noon(), 30*time.Minute, peers)
	if err != nil || len(list) != 1 {
		t.Fatalf("%v %v", list, err)
	}
	s := list[0]
	if s.Recorded || s.Start.Sub(noon().Add(-8*time.Hour)).Abs() > fine || s.End.Sub(noon().Add(-time.Hour)).Abs() > fine {
		t.Errorf("found %s", s.Title(nil))
	}
	o := Unknown(noon())
	o.CutoffVolts, o.Peers, o.BoardUptime = 11.6, peers, 55*time.Minute
	r, err := Extract(t.Context(), tape{at: winter}, s, o)
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want, within float64) {
		if math.IsNaN(got) || math.Abs(got-want) > within {
			t.Errorf("%s is %v, want %v", what, got, want)
		}
	}
	near("soc", r.SoC, 0.05, 0.01)
	near("volts", r.Volts, 11.9, 0.02)
	near("harvest", r.HarvestRatio, 0.25, 0.1)
	near("load", r.LoadRatio, 1, 0.01)
	near("loss", r.Loss, 0.01, 0.001)
	near("box", r.BoxC, 6, 0.1)
	near("chance", r.CutoffChance, 0.5, 0)
	near("boots", r.Boots, 1, 0)
	near("volts after", r.VoltsAfter, 13.1, 0.01)
	v, err := Why(t.Context(), tape{at: winter}, s, o)
	if err != nil || v.Cause != cause.Cutoff || !strings.Contains(v.String(), "Most likely: cut-off") {
		t.Errorf("%v\n%s", err, v)
	}
	o.BoardUptime = 90 * 24 * time.Hour
	v, err = Why(t.Context(), tape{at: winter}, s, o)
	if err != nil || v.Cause != cause.CannotTell || v.Record.Stopped != cause.Yes {
		t.Errorf("the board ran on: %v\n%s", err, v)
	}
}

// lonely is a node that records while nobody answers it, between nine and eleven.
func lonely(t time.Time) map[string]float64 {
	m := map[string]float64{"battery_volts": 13.3, "battery_soc": 0.9, "battery_soc_low": 0.86, "battery_soc_high": 0.94, "peer_up/boathouse": 1, "peer_loss_ratio/boathouse": 0.02}
	from := noon().Add(-3 * time.Hour)
	switch {
	case !t.Before(from) && t.Before(from.Add(2*time.Hour)):
		m["peer_up/boathouse"] = 0
		m["peer_loss_ratio/boathouse"] = 1
	case !t.Before(from.Add(-time.Hour)) && t.Before(from):
		m["peer_loss_ratio/boathouse"] = 0.4
		if t.Minute() >= 30 && t.Minute() < 35 {
			m["peer_up/boathouse"] = 0
		}
	}
	return m
}

func TestALostPathFromTheRecord(t *testing.T) {
	t.Parallel()
	o := Unknown(noon())
	o.Peers = []string{"boathouse"}
	list, err := Find(t.Context(), tape{at: lonely}, noon().Add(-24*time.Hour), noon(), 30*time.Minute, o.Peers)
	if err != nil || len(list) != 1 || !list[0].Recorded {
		t.Fatalf("%v %v", list, err)
	}
	v, err := Why(t.Context(), tape{at: lonely}, list[0], o)
	if err != nil || v.Cause != cause.Path || v.Record.Loss < 0.3 || v.Record.LossBefore > 0.05 || v.Record.Flaps != 1 {
		t.Errorf("%v %+v\n%s", err, v.Record, v)
	}
	if text := list[0].Title(nil); text != "Sat 10 Jan 09:00 to Sat 10 Jan 11:00 (no peer reached)" {
		t.Errorf("title %q", text)
	}
	// It lasts still.
	list, err = Find(t.Context(), tape{at: lonely}, noon().Add(-24*time.Hour), noon().Add(-2*time.Hour), 30*time.Minute, o.Peers)
	if err != nil || len(list) != 1 || !list[0].End.IsZero() || !strings.Contains(list[0].Title(nil), "to now") {
		t.Errorf("%v %v", list, err)
	}
}

func TestNothingRecorded(t *testing.T) {
	t.Parallel()
	empty := tape{at: func(time.Time) map[string]float64 { return nil }}
	list, err := Find(t.Context(), empty, noon().Add(-9*24*time.Hour), noon(), time.Hour, nil)
	if err != nil || len(list) != 0 {
		t.Errorf("%v %v", list, err)
	}
	v, err := Why(t.Context(), empty, Silence{Start: noon().Add(-time.Hour)}, Unknown(noon()))
	if err != nil || v.Cause != cause.CannotTell || strings.Contains(v.String(), "NaN") {
		t.Errorf("%v\n%s", err, v)
	}
	broken := tape{fails: errors.New("the card is gone")}
	if _, err := Find(t.Context(), broken, noon().Add(-time.Hour), noon(), time.Hour, nil); err == nil || !strings.Contains(err.Error(), "cannot read the record from 2026-01-10T11:00:00Z: the card is gone") {
		t.Errorf("%v", err)
	}
	if _, err := Why(t.Context(), broken, Silence{Start: noon()}, Unknown(noon())); err == nil {
		t.Error("no error")
	}
}

// TestARealHistory records into a real file, leaves a hole of three hours in it, and finds
// it. The names that are asked for are those that the history has.
func TestARealHistory(t *testing.T) {
	t.Parallel()
	base := factstest.Rich()
	var peers []string
	for _, p := range base.Peers {
		peers = append(peers, p.Name)
	}
	h := history.Open(history.Options{Path: filepath.Join(t.TempDir(), "history.db"), Peers: peers, Boot: "one"})
	begin := noon().Add(-12 * time.Hour)
	for mono := time.Duration(0); mono < 12*time.Hour; mono += time.Minute {
		if mono >= 6*time.Hour && mono < 9*time.Hour {
			continue
		}
		s := *base
		s.At = reading.Stamp{Mono: mono, Wall: begin.Add(mono), Trusted: true}
		h.Add(&s)
		if mono%(2*time.Hour) == 0 {
			if err := h.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	defer h.Close(t.Context())
	list, err := Find(t.Context(), h, begin.Add(-time.Hour), noon(), 30*time.Minute, peers)
	i := slices.IndexFunc(list, func(s Silence) bool { return !s.Recorded })
	if err != nil || i < 0 || list[i].Start.Sub(begin.Add(6*time.Hour)).Abs() > fine || list[i].End.Sub(begin.Add(9*time.Hour)).Abs() > fine {
		t.Fatalf("%v %v", list, err)
	}
	o := Unknown(noon())
	o.Peers = peers
	r, err := Extract(t.Context(), h, list[i], o)
	if err != nil || math.IsNaN(r.SoC) || math.IsNaN(r.Volts) {
		t.Errorf("%v %+v", err, r)
	}
}
