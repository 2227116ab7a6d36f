package watcher

import (
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/collector/decode"
	"ebbwatch/collector/regular"
)

// Config is the configuration of a watcher, a file of its own.
type Config struct {
	Site      config.Site       `yaml:"site" need:"true" doc:"the place of the watcher; its name is that of the house"`
	Nodes     []Node            `yaml:"nodes" need:"true" len:"1..500" doc:"the nodes to watch"`
	House     House             `yaml:"house" doc:"what tells a fault of the house from one of the nodes"`
	Dashboard *Dashboard        `yaml:"dashboard" doc:"the dashboard, so that its fault is not taken for one of the nodes"`
	Access    Access            `yaml:"access" doc:"what the pages of the nodes want to know"`
	Every     time.Duration     `yaml:"every" default:"1m" range:"1s..15m" doc:"how often each node is asked"`
	After     time.Duration     `yaml:"after" default:"12m" range:"1s..6h" doc:"how long a silence lasts before it is told; a radio that met radar is back within ten minutes"`
	Quiet     alert.Quiet       `yaml:"quiet" default:"22:00-07:00" doc:"local hours in which nothing is sent: it waits for the morning; off for none"`
	Notify    []config.Channel  `yaml:"notify" doc:"whom to tell; each has a name and exactly one kind"`
	Web       config.Web        `yaml:"web" doc:"the page, the metrics and the interface for programs"`
	Heartbeat *heartbeat.Config `yaml:"heartbeat" doc:"an outside dead-man service that is told while the watcher is well"`
	State     string            `yaml:"state" need:"true" path:"true" len:"1.." example:"/var/lib/ebbwatch-home" doc:"folder for what must survive a restart"`
}

// Node is one node to watch. At least one of State, Metrics and Ping is given.
type Node struct {
	Name    string   `yaml:"name" need:"true" len:"1..32" example:"slipway" doc:"of your choice; a-z, 0-9, - and _"`
	State   string   `yaml:"state" example:"http://10.20.0.3:9777" doc:"address of its page"`
	Metrics string   `yaml:"metrics" example:"http://10.20.0.3:9777/metrics" doc:"address of its metrics, for a node without that page"`
	Ping    string   `yaml:"ping" example:"10.20.0.3" doc:"address of its board; host:port to connect there instead of an echo"`
	Radio   string   `yaml:"radio" example:"10.20.0.2" doc:"address of the radio at its site, if that is another device; or host:port"`
	Via     []string `yaml:"via" doc:"names of the nodes that the way from the house goes through, nearest first"`
	Site    string   `yaml:"site" doc:"what it calls itself on its page; its name when left out: the page of another site says nothing of it"`
	Called  string   `yaml:"called" doc:"what other nodes call it among their peers; its name when left out"`
	RadioAs string   `yaml:"radio_called" doc:"what other nodes call the radio at its site"`
	Peak    float64  `yaml:"watts_peak" range:"1..50000" example:"240" doc:"power on the label of its panels, W: makes it tell the sun for its neighbours where its page does not say what they bring"`
}

// House is what stands between the watcher and the nodes.
type House struct {
	Radio   string `yaml:"radio" example:"10.20.0.1" doc:"address of the radio at the house; or host:port"`
	Network string `yaml:"network" example:"192.168.1.1" doc:"address of the router; or host:port"`
}

// Dashboard is a server with the query interface of Prometheus.
type Dashboard struct {
	URL   string        `yaml:"url" need:"true" example:"http://127.0.0.1:9090" doc:"its address"`
	Query string        `yaml:"query" default:"time() - max(timestamp(ebbwatch_clock_trusted))" doc:"gives the age in seconds of its newest number of any node"`
	Stale time.Duration `yaml:"stale" default:"30m" range:"10s..24h" doc:"from this age on it shows nothing new"`
}

// Access is the user that the nodes' pages want.
type Access struct {
	User         string `yaml:"user" doc:"user name"`
	PasswordFile string `yaml:"password_file" path:"true" doc:"file with the password"`
}

// Check reports what the tags cannot say of a dashboard.
func (d *Dashboard) Check(problem func(key, what string)) {
	if what := badURL(d.URL); what != "" {
		problem("url", what)
	}
}

// Check reports what the tags cannot say of a node.
func (n *Node) Check(problem func(key, what string)) {
	if strings.Trim(n.Name, "abcdefghijklmnopqrstuvwxyz0123456789_-") != "" {
		problem("name", fmt.Sprintf("%q may hold only a-z, 0-9, - and _", n.Name))
	}
	if n.State == "" && n.Metrics == "" && n.Ping == "" {
		problem("", "a node needs at least one of state, metrics and ping")
	}
	for key, text := range map[string]string{"state": n.State, "metrics": n.Metrics} {
		if what := badURL(text); text != "" && what != "" {
			problem(key, what)
		}
	}
	for key, text := range map[string]string{"ping": n.Ping, "radio": n.Radio} {
		if strings.ContainsAny(text, " /") {
			problem(key, fmt.Sprintf("%q is neither a host nor host:port", text))
		}
	}
}

func badURL(text string) string {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return "is no address such as http://10.20.0.3:9777"
	case u.User != nil:
		return "holds a password: use access"
	}
	return ""
}

// Check reports what concerns more than one entry.
func (c *Config) Check(problem func(key, what string)) {
	seen := map[string]int{}
	for i, n := range c.Nodes {
		if first, twice := seen[n.Name]; twice {
			problem(fmt.Sprintf("nodes[%d].name", i), fmt.Sprintf("another node, nodes[%d], is called %q too", first, n.Name))
		}
		seen[n.Name] = i
	}
	for i, n := range c.Nodes {
		for _, hop := range n.Via {
			if _, known := seen[hop]; !known || hop == n.Name {
				problem(fmt.Sprintf("nodes[%d].via", i), fmt.Sprintf("%q is none of the other nodes", hop))
			}
		}
	}
	for i, ch := range c.Notify {
		if ch.Second {
			problem(fmt.Sprintf("notify[%d].second", i), "a watcher knows no second person: nobody acknowledges its messages")
		}
	}
	if (c.Access.User == "") != (c.Access.PasswordFile == "") {
		problem("access", "user and password_file belong together")
	}
}

// Load reads the configuration and builds its channels. With problems it is nil.
func Load(path string, kinds []alert.Kind) (*Config, []decode.Problem) {
	root, c := decode.Open(path), &Config{}
	if problems := root.Problems(); len(problems) > 0 {
		return nil, problems // no tree to walk
	}
	_ = root.Decode(c) // its problems say it better
	config.BuildChannels(root, c.Notify, kinds, true)
	if problems := root.Problems(); len(problems) > 0 {
		return nil, problems
	}
	return c, nil
}

// Is tells whether a file is the configuration of a watcher, and not of a node.
func Is(path string) bool {
	data, err := regular.Read(path)
	var top struct {
		Nodes yaml.Node `yaml:"nodes"`
	}
	return err == nil && yaml.Unmarshal(data, &top) == nil && !top.Nodes.IsZero()
}

// connects tells an address to connect to from one that is asked by echo.
func connects(address string) bool {
	_, _, err := net.SplitHostPort(address)
	return err == nil
}
