package main

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"ebbwatch/alert"
	"ebbwatch/alert/alertmanager"
	"ebbwatch/alert/command"
	"ebbwatch/alert/mail"
	"ebbwatch/alert/sender"
	"ebbwatch/alert/webhook"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/cost"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/cmd/internal/planning"
	"ebbwatch/cmd/internal/remotewrite"
	"ebbwatch/collector"
	"ebbwatch/collector/decode"
	"ebbwatch/collector/hwmon"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/peer"
	"ebbwatch/collector/ping"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/textline"
)

// sourceKinds is the table of the ways of measuring.
func sourceKinds() []collector.Kind {
	return []collector.Kind{
		modbus.NewKind(),
		textline.Kind(),
		hwmon.Kind(),
		hwmon.IIOKind(),
		ping.Kind(),
		peer.Kind(),
	}
}

// channelKinds is the table of the ways of telling.
func channelKinds() []alert.Kind {
	return []alert.Kind{
		webhook.Kind(),
		mail.Kind(),
		alertmanager.Kind(),
		command.Kind(),
	}
}

// loaded is a configuration with the parts that were built from it.
type loaded struct {
	*config.Config
	alerts alert.Config
	sent   *cost.Sent // counts what the parts send
}

// load reads the configuration and builds its parts; it touches no hardware. What is wrong is
// told whatever else is.
func load(path string, need config.Need) (loaded, []decode.Problem) {
	l := loaded{sent: &cost.Sent{}}
	kinds := config.Kinds{Sources: sourceKinds(), Channels: channelKinds(), Alerts: func(s *decode.Section) error {
		err := s.Decode(&l.alerts)
		unknownFacts(s, l.alerts)
		constantConditions(s, l.alerts)
		return err
	}}
	if need == config.All() {
		kinds.Rest = func(c *config.Config) { planning.Decode(c) } // its mistakes are those of the file
	}
	var problems []decode.Problem
	if l.Config, problems = config.Load(path, kinds, need); l.Config != nil {
		l.meter()
	}
	return l, problems
}

// meter has every source and channel that reaches out over the network count what it sends.
// Instruments on a wire of the node are none of them, also where that wire carries TCP.
func (l loaded) meter() {
	var parts []any
	for _, s := range l.Sources {
		parts = append(parts, s.Source)
	}
	for _, n := range l.Notify {
		parts = append(parts, n.Channel)
	}
	for _, p := range parts {
		if d, ok := p.(interface{ DialWith(cost.Dial) }); ok {
			d.DialWith(l.sent.DialContext)
		}
	}
}

// unready lists the parts that cannot be used as things are, such as a channel whose file with the
// address is missing. They are no mistake of the file, and are tried again.
func (l loaded) unready() []string { return unready(l.Notify, l.RemoteWrite, l.Heartbeat) }

func unready(channels []config.Channel, sending *remotewrite.Config, beating *heartbeat.Config) []string {
	type part struct {
		name string
		any
	}
	var parts []part
	for _, n := range channels {
		parts = append(parts, part{"nothing can go out through the channel " + n.Name + " yet", n.Channel})
	}
	if sending != nil {
		parts = append(parts, part{"nothing can be sent by remote write yet", sending})
	}
	if beating != nil {
		parts = append(parts, part{"no heartbeat can be sent yet", beating})
	}
	var out []string
	for _, p := range parts {
		if r, can := p.any.(alert.Readier); can {
			if err := r.Ready(); err != nil {
				out = append(out, fmt.Sprintf("%s: %s", p.name, err))
			}
		}
	}
	return out
}

// sentBytes is what all parts have sent: over connections, and what probes count themselves.
func (l loaded) sentBytes() int64 {
	n := l.sent.Bytes()
	for _, s := range l.Sources {
		if c, ok := s.Source.(interface{ SentBytes() int64 }); ok {
			n += c.SentBytes()
		}
	}
	return n
}

// unknownFacts refuses rules over facts that there are not, in conditions and texts. A fact of
// one source, peer or channel is written with its name.
func unknownFacts(s *decode.Section, c alert.Config) {
	index := facts.NewIndex()
	names := alert.OwnFacts()
	for _, r := range facts.Table() {
		if r.Fact != "" {
			names = append(names, r.Fact)
		}
	}
	for _, use := range c.Uses() {
		base, of, each := strings.Cut(use.Fact, "/")
		kind, known := index.Known(base)
		switch {
		case !known && !slices.Contains(alert.OwnFacts(), base):
			s.Problem(use.Key, "there is no fact %q%s", use.Fact, reading.DidYouMean(base, names))
		case known && kind != "" && !each:
			s.Problem(use.Key, "%s is one for each %s: write %s/NAME, or %s/* with each: %s", base, kind, base, base, kind)
		case kind == "day" && !slices.Contains(facts.DayNames(), of):
			s.Problem(use.Key, "there is no day %q%s: %s", of, reading.DidYouMean(of, facts.DayNames()), strings.Join(facts.DayNames(), ", "))
		case kind == "" && each:
			s.Problem(use.Key, "%s is one for the whole site: write it without /%s", base, of)
		}
	}
}

// constantConditions doubts conditions that no reading can change: a percentage where a ratio is
// meant, two bounds that leave nothing between them.
func constantConditions(s *decode.Section, c alert.Config) {
	index := facts.NewIndex()
	for _, x := range c.Conditions() {
		switch x.When.Always(index.Range) {
		case alert.True:
			s.Doubt(x.Key, "%s holds always, whatever is measured%s", x.When, percent(index, x.When))
		case alert.False:
			s.Doubt(x.Key, "%s can never hold%s", x.When, percent(index, x.When))
		}
	}
}

// percent reminds of the unit where a condition asks for a ratio.
func percent(index facts.Index, e alert.Expr) string {
	for _, n := range e.Names() {
		if row, ok := index.Row(n.Fact); ok && row.Unit == "%" {
			return ": " + n.Fact + " is a ratio, 30% is written 30% or 0.3"
		}
	}
	return ""
}

// strangers are the names in rules and channels that nothing here bears: what asks for them is
// never told.
func (l loaded) strangers() (out []string) {
	p, index := plan(l), facts.NewIndex()
	for _, use := range l.alerts.Uses() {
		base, of, each := strings.Cut(use.Fact, "/")
		kind, _ := index.Known(base)
		names, kinds := p.Engine.Instances[kind]
		if each && kinds && of != "*" && !slices.Contains(names, of) {
			out = append(out, fmt.Sprintf("a rule asks for %s, and there is no %s %q%s", use.Fact, kind, of, reading.DidYouMean(of, names)))
		}
	}
	var rules []string
	for _, r := range p.Engine.Rules {
		rules = append(rules, r.Name)
	}
	for _, n := range l.Notify {
		for _, name := range n.Rules {
			if !slices.Contains(rules, name) {
				out = append(out, fmt.Sprintf("the channel %s asks for the rule %q, and there is none%s", n.Name, name, reading.DidYouMean(name, rules)))
			}
		}
	}
	return out
}

// plan is what the core is told of a configuration.
func plan(c loaded) core.Plan {
	p := core.Plan{
		Site: c.Site.Name, Zone: c.Site.Zone, Battery: c.Battery.Model(), Array: placed(c),
		OutlookEvery: 15 * time.Minute, AdviseEvery: time.Hour, Seed: 1,
		TripHours: c.alerts.TripHours, FalseAYear: c.alerts.FalseAYear,
	}
	instances := map[string][]string{}
	for _, s := range c.Sources {
		sp := core.SourcePlan{Name: s.Name, Kind: s.Kind, Every: s.Every}
		if of, ok := s.Source.(interface{ Peers() []string }); ok {
			sp.Peers = of.Peers()
		}
		p.Sources = append(p.Sources, sp)
		instances["source"] = append(instances["source"], s.Name)
		instances["peer"] = append(instances["peer"], sp.Peers...)
	}
	for _, n := range c.Notify {
		instances["channel"] = append(instances["channel"], n.Name)
	}
	p.Engine = alert.Engine{
		Rules: c.alerts.Build(), Site: c.Site.Name, Zone: c.Site.Zone, Instances: instances,
		TripHours: c.alerts.TripHours, Quiet: c.alerts.Quiet, Feeds: feeds(p.Sources),
		Escalate: slices.ContainsFunc(c.Notify, func(n config.Channel) bool { return n.Second }),
	}
	return p
}

// feeds tells which facts fall silent with each source.
func feeds(sources []core.SourcePlan) map[string][]string {
	out := map[string][]string{}
	for _, s := range sources {
		first, end := reading.Quantity(0), reading.NumSite
		if len(s.Peers) > 0 {
			first, end = reading.NumSite, reading.NumQuantities
		}
		for q := first; q < end; q++ {
			out[s.Name] = append(out[s.Name], q.String())
		}
	}
	return out
}

// options are the parts of the loop of a configuration.
func options(c loaded, log *slog.Logger, ring *logRing) daemon.Options {
	o := daemon.Options{
		Plan: plan(c), Speed: 1, Tick: 10 * time.Second, Log: log, Lines: ring.Lines, Build: build(),
		Clock: daemon.NewClock().Now,
	}
	o.Plan.Boot, o.Plan.Up = board() // of the same moment as the clock
	log.Info(climateNote(c))
	for _, s := range c.Sources {
		o.Sources = append(o.Sources, daemon.LiveSource{Name: s.Name, Every: s.Every, Source: s.Source})
	}
	for _, n := range c.Notify {
		o.Channels = append(o.Channels, sender.Channel{Channel: n.Takes(), Sender: n.Channel})
	}
	return o
}

// onTerminal gives the file in which a person looks at the text, if one does.
func onTerminal(w io.Writer) (*os.File, bool) {
	file, ok := w.(*os.File)
	return file, ok && term.IsTerminal(int(file.Fd()))
}
