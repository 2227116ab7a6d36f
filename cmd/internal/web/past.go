package web

import (
	"math"
	"sync/atomic"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// These bound the past that is held for the chart: a week of half hours.
const (
	pastEvery = 30 * time.Minute
	pastKept  = 7 * 24 * time.Hour
)

// Past holds the charge of the last week in memory, for the chart. One goroutine adds, any
// number may read, and nobody waits. The zero Past is empty.
type Past struct{ moments atomic.Pointer[[]moment] }

type moment struct {
	mono           time.Duration
	soc, low, high float64
}

// Add keeps the belief of a snapshot, at most one every half hour.
func (p *Past) Add(s *facts.Snapshot) {
	var old []moment
	if have := p.moments.Load(); have != nil {
		old = *have
	}
	if n := len(old); n > 0 && s.At.Mono-old[n-1].mono < pastEvery || !s.BeliefKnown() {
		return
	}
	first := 0
	for first < len(old) && s.At.Mono-old[first].mono > pastKept {
		first++
	}
	fresh := make([]moment, 0, len(old)-first+1)
	fresh = append(fresh, old[first:]...)
	fresh = append(fresh, moment{s.At.Mono, s.Belief.SoC, s.Belief.Low, s.Belief.High})
	p.moments.Store(&fresh)
}

// Seed replaces what is held by points from before the start, oldest first, such as those
// of the history.
func (p *Past) Seed(now *facts.Snapshot, points []Point) {
	seeded := make([]moment, 0, len(points))
	for _, x := range points {
		mono := now.At.Mono + time.Duration(x.Hours*float64(time.Hour))
		if !math.IsNaN(x.SoC) && now.At.Mono-mono <= pastKept {
			seeded = append(seeded, moment{mono, x.SoC, x.Low, x.High})
		}
	}
	p.moments.Store(&seeded)
}

// Points are the moments held and that of the snapshot itself, as hours before it.
func (p *Past) Points(now *facts.Snapshot) []Point {
	var points []Point
	if have := p.moments.Load(); have != nil {
		for _, m := range *have {
			if m.mono < now.At.Mono {
				points = append(points, Point{Hours: (m.mono - now.At.Mono).Hours(), SoC: m.soc, Low: m.low, High: m.high})
			}
		}
	}
	if now.BeliefKnown() {
		points = append(points, Point{SoC: now.Belief.SoC, Low: now.Belief.Low, High: now.Belief.High})
	}
	return points
}
