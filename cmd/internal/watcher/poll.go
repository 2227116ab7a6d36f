package watcher

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/ping"
	"ebbwatch/collector/reading"
)

// Bounds of asking: so many questions on their way at once, and so long for each.
const (
	maxWorkers = 32
	askLimit   = 8 * time.Second
	echoHosts  = 50 // in one source of echo
)

// way is one question with whom it concerns.
type way struct {
	of   string // the node; empty for the house
	what string // state, metrics, board, radio, house radio, house network, dashboard
	q    question
}

// ways lists the questions of a configuration, and the hosts that are asked by echo, by a
// key that [wayKey] makes.
func ways(c *Config) (list []way, echo map[string]string) {
	echo = map[string]string{}
	address := func(of, what, target string) {
		switch {
		case target == "":
		case connects(target):
			list = append(list, way{of, what, question{kind: askConnect, target: target}})
		default:
			echo[wayKey(of, what)] = target
		}
	}
	for _, n := range c.Nodes {
		if n.State != "" {
			list = append(list, way{n.Name, "state", question{kind: askState, target: n.State}})
		}
		if n.Metrics != "" {
			list = append(list, way{n.Name, "metrics", question{kind: askMetrics, target: n.Metrics}})
		}
		address(n.Name, "board", n.Ping)
		address(n.Name, "radio", n.Radio)
	}
	address("", "house radio", c.House.Radio)
	address("", "house network", c.House.Network)
	if d := c.Dashboard; d != nil {
		list = append(list, way{"", "dashboard", question{kind: askDashboard, target: d.URL, query: d.Query}})
	}
	return list, echo
}

func wayKey(of, what string) string { return of + " " + what }

// outcome is what came of one way.
type outcome struct {
	key  string
	at   time.Time
	a    answer
	loss float64 // share of probes lost, of an echo; negative otherwise
}

// poller asks everything again and again.
type poller struct {
	every time.Duration
	ways  []way
	ask   asker
	out   chan<- outcome
}

// run spreads the questions evenly over the period and asks with a bounded number of
// workers. When nobody answers the round takes longer; nothing piles up.
func (p poller) run(ctx context.Context, workers *sync.WaitGroup) {
	if len(p.ways) == 0 {
		return
	}
	todo := make(chan way)
	for range min(maxWorkers, len(p.ways)) {
		workers.Go(func() {
			for {
				select {
				case <-ctx.Done():
					return
				case w := <-todo:
					p.once(ctx, w)
				}
			}
		})
	}
	workers.Go(func() { p.schedule(ctx, todo) })
}

func (p poller) schedule(ctx context.Context, todo chan<- way) {
	tick := time.NewTicker(max(p.every/time.Duration(len(p.ways)), time.Millisecond))
	defer tick.Stop()
	for i := 0; ; i = (i + 1) % len(p.ways) {
		select {
		case <-ctx.Done():
			return
		case todo <- p.ways[i]:
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (p poller) once(ctx context.Context, w way) {
	limit, cancel := context.WithTimeout(ctx, min(askLimit, max(p.every, time.Second)))
	defer cancel()
	a := p.ask.ask(limit, w.q)
	if ctx.Err() != nil {
		return // the end cut it off: that says nothing of the node
	}
	select {
	case p.out <- outcome{wayKey(w.of, w.what), time.Now(), a, -1}:
	case <-ctx.Done():
	}
}

// echoes makes the sources that ask hosts by echo, in chunks.
func echoes(hosts map[string]string) ([]collector.Source, error) {
	var sources []collector.Source
	for keys := range slices.Chunk(slices.Sorted(maps.Keys(hosts)), echoHosts) {
		c := ping.Config{Hosts: map[string]string{}, Count: 3, Interval: time.Second, Wait: 2 * time.Second, Size: 56, Window: 10}
		for _, key := range keys {
			c.Hosts[key] = hosts[key]
		}
		s, err := ping.Kind().New(fixed{c})
		if err != nil {
			return nil, fmt.Errorf("cannot ask by echo: %w", err)
		}
		sources = append(sources, s)
	}
	return sources, nil
}

// fixed hands a source a configuration that no file holds.
type fixed struct{ c ping.Config }

// Decode implements [collector.Decoder].
func (f fixed) Decode(v any) error {
	c, ok := v.(*ping.Config)
	if !ok {
		return errors.New("cannot decode: not a configuration of echo")
	}
	*c = f.c
	return nil
}

// File implements [collector.Decoder].
func (f fixed) File(string, string, any) error { return errors.New("cannot read: there is no file") }

// Problem implements [collector.Decoder].
func (f fixed) Problem(string, string, ...any) {}

// runEcho polls one source of echo and turns its values into outcomes.
func (p poller) runEcho(ctx context.Context, name string, s collector.Source) {
	collector.Poll(ctx, name, max(p.every, 10*time.Second), s, func() reading.Stamp { return reading.Stamp{} }, func(r collector.Report) {
		for _, o := range echoOutcomes(r) {
			select {
			case p.out <- o:
			case <-ctx.Done():
			}
		}
	})
}

func echoOutcomes(r collector.Report) []outcome {
	now, of := time.Now(), map[string]*outcome{}
	if len(r.Values) == 0 && r.Err != nil { // no right to, mostly: nothing is known of any host
		return []outcome{{key: wayKey("", "echo"), at: now, a: answer{err: r.Err}}}
	}
	var list []*outcome
	for _, v := range r.Values {
		if of[v.Of] == nil {
			of[v.Of] = &outcome{key: v.Of, at: now, loss: -1}
			list = append(list, of[v.Of])
		}
		switch v.Quantity {
		case reading.PeerUp:
			of[v.Of].a.up = v.X == 1
		case reading.PeerLossRatio:
			of[v.Of].loss = v.X
		}
	}
	var out []outcome
	for _, o := range list {
		if !o.a.up {
			o.a.err = errNoEcho
		}
		out = append(out, *o)
	}
	return out
}

var errNoEcho = errors.New("it does not answer to echo")
