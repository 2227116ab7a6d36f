package alertmanager

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
)

// Config is the section of an Alertmanager.
type Config struct {
	post.Target
	Labels map[string]string `yaml:"labels" doc:"further labels, for routing"`
	Resend time.Duration     `yaml:"resend" default:"2m" range:"10s..1h" doc:"how often what is active is sent again"`
	Hold   time.Duration     `yaml:"hold" default:"7d" range:"5m..90d" doc:"how long an alarm stands without word from the node"`
}

// Kind is this channel for the configuration.
func Kind() alert.Kind {
	return alert.Kind{
		Name:    "alertmanager",
		Summary: "an Alertmanager, version 2 of its interface; url is where it answers, without /api/v2",
		Sample:  "url: http://127.0.0.1:9093\n",
		New:     alert.Open(New),
	}
}

// Channel is one Alertmanager. It is an [alert.Resender].
type Channel struct {
	post.Receiver
	c Config

	// One request at a time, and no alarm again that was ended: what is sent again must not
	// overtake the end of an alarm, or it would stand for days.
	mu    sync.Mutex
	ended []string
}

// remember is how many alarms that ended are kept in mind; what is sent again is never
// older than a few minutes.
const remember = 1000

var _ alert.Resender = (*Channel)(nil)

// New makes a channel; zero durations stand for the defaults.
func New(c Config) *Channel {
	for _, d := range []struct {
		have  *time.Duration
		usual time.Duration
	}{{&c.Resend, 2 * time.Minute}, {&c.Hold, 7 * 24 * time.Hour}} {
		if *d.have == 0 {
			*d.have = d.usual
		}
	}
	return &Channel{Receiver: c.Target.Receiver(), c: c}
}

// Every is how often [Channel.Resend] is wanted.
func (c *Channel) Every() time.Duration { return c.c.Resend }

// Send implements [alert.Channel].
func (c *Channel) Send(ctx context.Context, n alert.Notice) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if n.Phase == alert.Cleared && !slices.Contains(c.ended, n.ID) {
		c.ended = append(c.ended, n.ID)
		c.ended = c.ended[max(0, len(c.ended)-remember):]
	}
	return c.send(ctx, []alert.Notice{n})
}

// Resend tells again what is active.
func (c *Channel) Resend(ctx context.Context, active []alert.Notice) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	var still []alert.Notice
	for _, n := range active {
		if !slices.Contains(c.ended, n.ID) {
			still = append(still, n)
		}
	}
	if len(still) == 0 {
		return nil
	}
	return c.send(ctx, still)
}

// item is one alert of the interface.
type item struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    string            `json:"startsAt,omitempty"`
	EndsAt      string            `json:"endsAt,omitempty"`
}

func (c *Channel) send(ctx context.Context, notices []alert.Notice) error {
	var items []item
	for _, n := range notices {
		items = append(items, c.items(n)...)
	}
	if len(items) == 0 { // the end of what it never heard of
		return nil
	}
	body, err := json.Marshal(items)
	if err != nil {
		return alert.Refused(fmt.Errorf("cannot write the notice for the Alertmanager: %w", err))
	}
	return c.Post(ctx, alert.Notice{}, http.MethodPost, "/api/v2/alerts", nil, body)
}

// items are the alerts that a notice makes. Labels are what tells alerts apart there, and
// the severity is one of them for the sake of routing: so a change of severity ends the
// alerts of those that it was told with before.
func (c *Channel) items(n alert.Notice) []item {
	var items []item
	for _, severity := range []alert.Severity{alert.Info, alert.Warning, alert.Critical} {
		stands := severity == n.Severity && n.Phase != alert.Cleared
		if _, told := n.Facts[alert.ToldAs+string(severity)]; !stands && !told {
			continue
		}
		it := item{Labels: c.labels(n, severity), Annotations: annotations(n)}
		it.StartsAt, it.EndsAt = c.span(n, stands)
		items = append(items, it)
	}
	return items
}

// span is from when to when an alert stands. A clock that plainly was never set says
// nothing: then the Alertmanager's own clock and its own end apply.
func (c *Channel) span(n alert.Notice, stands bool) (from, to string) {
	const earliest = 2024
	if n.Since.Year() >= earliest {
		from = n.Since.UTC().Format(time.RFC3339)
	}
	switch {
	case !stands && n.At.Year() >= earliest:
		to = n.At.UTC().Format(time.RFC3339)
	case !stands:
		to = time.Unix(1, 0).UTC().Format(time.RFC3339)
		from = ""
	case n.At.Year() >= earliest:
		to = n.At.Add(c.c.Hold).UTC().Format(time.RFC3339)
	}
	return from, to
}

func (c *Channel) labels(n alert.Notice, severity alert.Severity) map[string]string {
	labels := map[string]string{}
	for name, value := range c.c.Labels {
		labels[name] = value
	}
	labels["alertname"], labels["site"], labels["id"], labels["severity"] = n.Rule, n.Site, n.ID, string(severity)
	return labels
}

func annotations(n alert.Notice) map[string]string {
	a := map[string]string{"summary": n.Title, "description": n.Text}
	if len(n.Advice) > 0 {
		a["advice"] = strings.Join(n.Advice, "\n")
	}
	return a
}
