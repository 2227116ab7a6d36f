package core

import (
	"maps"
	"math"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector"
	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
)

// source is the core's memory of one source.
type source struct {
	plan   SourcePlan
	values [reading.NumSite]kept
	peers  map[string]*peer
	tried  bool
	up     bool
	good   time.Duration // when it last answered well, on the monotonic clock
	ever   bool
	took   time.Duration
	err    string
	errors map[string]float64
	doubt  plausible.State
}

type kept struct {
	known   bool
	x       float64
	at      time.Duration
	suspect string
	every   time.Duration // it is asked for no oftener
}

type peer struct {
	at     time.Duration
	values map[reading.Quantity]float64
}

func newSource(p SourcePlan) *source {
	s := &source{plan: p, peers: map[string]*peer{}, errors: map[string]float64{}}
	for _, kind := range []collector.ErrorKind{collector.Timeout, collector.CRC, collector.Exception, collector.Short, collector.Foreign, collector.Port} {
		s.errors[string(kind)] = 0
	}
	return s
}

// take notes what a poll gave. After a good poll, what it did not give is no longer known;
// beside an error, older values stay until they are too old.
func (s *source) take(r collector.Report) {
	s.tried, s.took, s.err = true, r.Took, ""
	if r.Err != nil {
		s.err = r.Err.Error()
		s.errors[string(collector.KindOf(r.Err))]++
	} else {
		for q, k := range s.values {
			if k.every == 0 || r.At.Mono-k.at > fresh(k.every) {
				s.values[q] = kept{}
			}
		}
	}
	s.up = r.Err == nil || len(r.Values) > 0
	if s.up {
		s.good, s.ever = r.At.Mono, true
	}
	for _, v := range r.Values {
		s.keep(v, r.At.Mono)
	}
}

func (s *source) keep(v reading.Value, at time.Duration) {
	if v.Quantity < reading.NumSite {
		s.values[v.Quantity] = kept{true, v.X, at, v.Suspect, v.Every}
		return
	}
	p := s.peers[v.Of]
	if p == nil || p.at != at {
		p = &peer{at: at, values: map[reading.Quantity]float64{}}
		s.peers[v.Of] = p
	}
	p.values[v.Quantity] = v.X
}

// fresh is how old a value may be and still be used, by the period of the polls.
func fresh(every time.Duration) time.Duration { return 3*every + 5*time.Second }

func (s *source) measured(q reading.Quantity, now reading.Stamp, every time.Duration) facts.Measured {
	k := s.values[q]
	age := now.Mono - k.at
	if !k.known || age > fresh(max(every, k.every)) {
		return facts.Measured{}
	}
	return facts.Measured{Known: true, X: k.x, Age: age, Source: s.plan.Name, Suspect: k.suspect}
}

func (s *source) fact(now, first reading.Stamp, every time.Duration) facts.Source {
	f := facts.Source{
		Name: s.plan.Name, Kind: s.plan.Kind, Every: every,
		Up: s.up && now.Mono-s.good <= fresh(every), Tried: s.tried, Age: -1,
		Took: s.took, Err: s.err, Errors: maps.Clone(s.errors), Silent: s.silence(now, first),
	}
	if s.ever {
		f.Age = now.Mono - s.good
	}
	for q := range reading.NumSite {
		if m := s.measured(q, now, every); m.Known {
			if f.Doubts == nil {
				f.Doubts = map[reading.Quantity]string{}
			}
			f.Doubts[q] = m.Suspect
		}
	}
	return f
}

// lost is what the source gave when it last answered, and nothing gives now.
func (s *source) lost(now *[reading.NumSite]facts.Measured) (out []reading.Quantity) {
	for q := range reading.NumSite {
		if s.values[q].known && !now[q].Known {
			out = append(out, q)
		}
	}
	return out
}

// peerFacts gives each peer in the order of the configuration.
func (s *source) peerFacts(now reading.Stamp, every time.Duration) []facts.Peer {
	var out []facts.Peer
	for _, name := range s.plan.Peers {
		out = append(out, s.peerFact(name, now, every))
	}
	return out
}

func (s *source) peerFact(name string, now reading.Stamp, every time.Duration) facts.Peer {
	f := facts.Peer{Name: name, Source: s.plan.Name}
	var values map[reading.Quantity]float64 // of a peer that was not heard lately: none
	if p := s.peers[name]; p != nil && now.Mono-p.at <= fresh(every) {
		f.Age, values = now.Mono-p.at, p.values
	}
	known := func(q reading.Quantity) float64 {
		if x, ok := values[q]; ok {
			return x
		}
		return math.NaN()
	}
	up, ok := values[reading.PeerUp]
	f.Known, f.Up = ok, up > 0
	f.RTTSeconds, f.LossRatio = known(reading.PeerRTTSeconds), known(reading.PeerLossRatio)
	f.RTTP95, f.Jitter, f.SoC = known(reading.PeerRTTP95Seconds), known(reading.PeerJitterSeconds), known(reading.PeerSoC)
	return f
}
