package config

import (
	"fmt"
	"slices"
	"strings"

	"ebbwatch/alert"
	"ebbwatch/collector"
	"ebbwatch/collector/decode"
	"ebbwatch/collector/reading"
)

// Kinds are the parts that a configuration may name.
type Kinds struct {
	Sources  []collector.Kind
	Channels []alert.Kind
	// Alerts decodes the section alerts, so that its mistakes are told with the others. The
	// section is empty when the file has none. May be nil.
	Alerts func(*decode.Section) error
	// Rest decodes what only its user knows, such as the sections of a plan. May be nil.
	Rest func(c *Config)
}

// Need says which parts of a configuration are wanted. A list of parts that is not needed
// may be missing; it is looked through, but nothing of it is built.
type Need struct {
	Sources bool // at least one must be there
	Notify  bool // may be empty all the same
	State   bool // must be there
}

// All is what the daemon needs.
func All() Need { return Need{Sources: true, Notify: true, State: true} }

// Load reads the configuration from a file and builds the parts that it names. Building
// opens no port and asks no network. All problems of all files are returned, in order; with
// any of them the configuration is nil.
func Load(path string, kinds Kinds, need Need) (*Config, []decode.Problem) {
	return finish(decode.Open(path), path, kinds, need)
}

// Parse is [Load] for a configuration that was read already; path names it in problems, and
// its folder is where relative paths start.
func Parse(path string, data []byte, kinds Kinds, need Need) (*Config, []decode.Problem) {
	return finish(decode.NewSection(path, data), path, kinds, need)
}

func finish(root *decode.Section, path string, kinds Kinds, need Need) (*Config, []decode.Problem) {
	if problems := root.Problems(); len(problems) > 0 {
		return nil, problems // no tree to walk
	}
	b := builder{kinds: kinds, need: need, root: root}
	cfg := &Config{File: path}
	// The error says nothing that the problems do not say better.
	_ = root.Decode(cfg)
	if keys := root.Keys(); keys != nil {
		b.build(cfg, keys)
	}
	if problems := root.Problems(); len(problems) > 0 {
		return nil, problems
	}
	cfg.Doubts = root.Doubts()
	return cfg, nil
}

// builder makes the parts that a decoded configuration names.
type builder struct {
	kinds Kinds
	need  Need
	root  *decode.Section
}

func (b builder) build(cfg *Config, keys []string) {
	switch {
	case !b.need.Sources || len(cfg.Sources) > 0:
	case slices.Contains(keys, "sources"):
		b.root.ProblemAt("sources", "sources names no source: nothing would be measured")
	default:
		b.absent("sources", keys)
	}
	if b.need.State && !slices.Contains(keys, "state") {
		b.absent("state", keys)
	}
	b.sources(cfg.Sources)
	BuildChannels(b.root, cfg.Notify, b.kinds.Channels, b.need.Notify)
	if b.kinds.Alerts != nil {
		cfg.Alerts.Build(func() error { return b.kinds.Alerts(&cfg.Alerts) })
	}
	if b.kinds.Rest != nil {
		b.kinds.Rest(cfg)
	}
}

// absent reports a missing key of the top, unless a mistyped one was likely meant for it.
func (b builder) absent(key string, keys []string) {
	var names []string
	for _, f := range decode.Fields(typeOfConfig()) {
		names = append(names, f.Name)
	}
	for _, given := range keys {
		if !slices.Contains(names, given) && reading.Nearest(given, names) == key {
			return
		}
	}
	b.root.ProblemAt("", "%s is missing", key)
}

func (b builder) sources(list []Source) {
	names := unique{what: "source", root: b.root, key: "sources", seen: map[string]int{}}
	kinds := map[string]collector.Kind{}
	choice := choice{what: "source"}
	for _, k := range b.kinds.Sources {
		kinds[k.Name] = k
		choice.kinds = append(choice.kinds, k.Name)
	}
	for i := range list {
		src := &list[i]
		names.add(i, src.Name)
		p := choice.of(b.root, fmt.Sprintf("sources[%d]", i), src.Kinds, "name", "every")
		if p == nil {
			continue
		}
		src.Kind = p.Key
		if !b.need.Sources {
			continue
		}
		p.Section.Build(func() (err error) { src.Source, err = kinds[p.Key].New(p.Section); return err })
	}
}

// BuildChannels builds the channels of a decoded list under notify; root is the whole
// configuration, which gets the problems. Without want they are only looked through.
func BuildChannels(root *decode.Section, list []Channel, channels []alert.Kind, want bool) {
	names := unique{what: "channel", root: root, key: "notify", seen: map[string]int{}}
	kinds := map[string]alert.Kind{}
	choice := choice{what: "channel"}
	for _, k := range channels {
		kinds[k.Name] = k
		choice.kinds = append(choice.kinds, k.Name)
	}
	for i := range list {
		ch := &list[i]
		names.add(i, ch.Name)
		p := choice.of(root, fmt.Sprintf("notify[%d]", i), ch.Kinds, "name", "least", "second")
		if p == nil {
			continue
		}
		ch.Kind = p.Key
		if want {
			p.Section.Build(func() (err error) { ch.Channel, err = kinds[p.Key].New(p.Section); return err })
		}
	}
}

// choice picks the one kind that an entry names.
type choice struct {
	what  string
	kinds []string
}

func (c choice) of(root *decode.Section, entry string, parts []part, others ...string) *part {
	var known []*part
	strange := false
	for i := range parts {
		p := &parts[i]
		if slices.Contains(c.kinds, p.Key) {
			known = append(known, p)
			continue
		}
		strange = true
		p.Section.ProblemAt("", "unknown key %q%s", p.Key, reading.DidYouMean(p.Key, append(others, c.kinds...)))
	}
	switch {
	case len(known) == 1:
		return known[0]
	case len(known) > 1:
		known[1].Section.ProblemAt("", "%s has two kinds, %s and %s: a %s has one", entry, known[0].Key, known[1].Key, c.what)
	case !strange:
		root.ProblemAt(entry, "%s has no kind: give it one of %s", entry, strings.Join(c.kinds, ", "))
	}
	return nil
}

// unique wants names that are short words, each given once.
type unique struct {
	what string
	root *decode.Section
	key  string
	seen map[string]int
}

func (u unique) add(i int, name string) {
	if name == "" {
		return // reported as missing
	}
	key := fmt.Sprintf("%s[%d].name", u.key, i)
	if strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789_-") != "" {
		u.root.ProblemAt(key, "name: %q may hold only a-z, 0-9, - and _", name)
		return
	}
	if first, twice := u.seen[name]; twice {
		u.root.ProblemAt(key, "name: another %s, %s[%d], is called %q too", u.what, u.key, first, name)
		return
	}
	u.seen[name] = i
}
