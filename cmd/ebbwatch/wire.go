package main

import (
	"log/slog"
	"os"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/alert/webhook"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/node"
	"ebbwatch/collector"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/ping"
)

// sourceKinds is the table of the ways of measuring.
func sourceKinds() []collector.Kind {
	return []collector.Kind{
		modbus.NewKind(),
		ping.Kind(),
	}
}

// channelKinds is the table of the ways of telling.
func channelKinds() []alert.Kind {
	return []alert.Kind{
		webhook.Kind(),
	}
}

// load reads the configuration; with problems, all are printed and the error says how many.
func load(path string, need config.Need) (*config.Config, []config.Problem) {
	return config.Load(path, config.Kinds{Sources: sourceKinds(), Channels: channelKinds()}, need)
}

// plan is what the core is told of a configuration.
func plan(c *config.Config) node.Plan {
	p := node.Plan{
		Site: c.Site.Name, Zone: c.Site.Zone, Battery: c.Battery.Model(), Array: c.Place(),
		OutlookEvery: 15 * time.Minute, Seed: 1,
	}
	instances := map[string][]string{}
	for _, s := range c.Sources {
		sp := node.SourcePlan{Name: s.Name, Kind: s.Kind, Every: s.Every}
		if of, ok := s.Source.(interface{ Peers() []string }); ok {
			sp.Peers = of.Peers()
		}
		p.Sources = append(p.Sources, sp)
		instances["source"] = append(instances["source"], s.Name)
		instances["peer"] = append(instances["peer"], sp.Peers...)
	}
	p.Engine = alert.Engine{Rules: alert.Builtin(), Site: c.Site.Name, Zone: c.Site.Zone, Instances: instances}
	return p
}

// options are the parts of the loop of a configuration.
func options(c *config.Config, log *slog.Logger, ring *logRing) node.Options {
	o := node.Options{
		Plan: plan(c), Speed: 1, Tick: 10 * time.Second, Log: log, Lines: ring.Lines, Build: build(),
		Clock: func(m node.Memory) node.Now { return node.NewClock(m.Mono, m.Wall).Now },
	}
	for _, s := range c.Sources {
		o.Sources = append(o.Sources, node.LiveSource{Name: s.Name, Every: s.Every, Source: s.Source})
	}
	for _, n := range c.Notify {
		o.Channels = append(o.Channels, node.LiveChannel{Channel: outbox.Channel{Name: n.Name}, Sender: n.Channel})
	}
	return o
}

// onTerminal tells whether a person looks at the file.
func onTerminal(f any) bool {
	file, ok := f.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
