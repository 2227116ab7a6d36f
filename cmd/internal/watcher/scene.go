package watcher

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/collector/nodestate"
)

// missed is how many questions in a row go unanswered before a way is taken for silent: one
// lost probe says nothing.
const missed = 3

// track is what is known of one way.
type track struct {
	heard time.Time // the last answer
	tried time.Time
	fails int // in a row
	tries int // since the last look
	lost  int
	loss  float64 // of the last echo; negative: not known
	err   string
	said  *nodestate.State // the last statement that said something new
	saidA time.Time        // when, by our clock
	stamp time.Time        // and by the node's
	other string           // what calls itself otherwise answers there; empty: the node, or nothing
	age   time.Duration
	fresh bool
}

// take notes an outcome.
func (w *Watcher) take(o outcome) {
	t := w.tracks[o.key]
	if t == nil { // what concerns no single node
		w.note("echo", o.a.err)
		return
	}
	o.a, t.other = w.ofThatSite(o)
	t.tried, t.loss = o.at, o.loss
	t.tries++
	if t.err = ""; o.a.err != nil {
		t.err = o.a.err.Error()
	}
	if !o.a.up {
		t.fails++
		t.lost++
		return
	}
	t.fails, t.heard, t.age, t.fresh = 0, o.at, o.a.age, o.a.fresh
	if s := o.a.said; s != nil && (s.At.IsZero() || !s.At.Equal(t.stamp)) {
		t.said, t.saidA, t.stamp = s, o.at, s.At
	}
}

// ofThatSite takes an answer for nothing when it is that of another site: what stands at an
// address may have changed, and says nothing of the node.
func (w *Watcher) ofThatSite(o outcome) (a answer, other string) {
	if o.a.said == nil || o.a.said.Site == "" {
		return o.a, ""
	}
	for i := range w.Config.Nodes {
		if n := &w.Config.Nodes[i]; o.key == wayKey(n.Name, "state") && o.a.said.Site != n.site() {
			return answer{err: fmt.Errorf("what answers calls itself %q, not %q: if that is right, set site", o.a.said.Site, n.site())}, o.a.said.Site
		}
	}
	return o.a, ""
}

// frozenAfter is how long a page may say the same before it counts as frozen: a node makes a new
// statement every few seconds.
const frozenAfter = 5 * time.Minute

// frozen tells since when a way that answers says the same; zero while it moves. A statement
// without a time cannot be judged.
func (t *track) frozen(now time.Time, every time.Duration) time.Time {
	if t == nil || t.fails > 0 || t.stamp.IsZero() || now.Sub(t.saidA) < max(frozenAfter, 5*every) {
		return time.Time{}
	}
	return t.saidA
}

// seen is what a way tells now. What was last tried long ago tells nothing.
func (t *track) seen(now time.Time, every time.Duration) watch.Seen {
	switch {
	case t == nil || t.tried.IsZero() || now.Sub(t.tried) > 6*every+time.Minute:
		return watch.Unknown
	case t.fails == 0:
		return watch.Yes
	case t.fails >= missed:
		return watch.No
	case t.heard.IsZero():
		return watch.Unknown
	}
	return watch.Yes // one or two lost probes are nothing yet
}

// anyOf is Yes when one of the ways hears it, and No only when all that are there do not.
func anyOf(list ...watch.Seen) watch.Seen {
	out, all := watch.No, true
	for _, s := range list {
		out, all = max(out, s), all && s == watch.No
	}
	if out == watch.Yes || all && len(list) > 0 {
		return out
	}
	return watch.Unknown
}

// ofNode are the tracks that tell whether the node is at work. A board that answers to echo
// while its page is silent is a board with power and a way to it, not a node that works; so
// echo counts where there is no page.
func (w *Watcher) ofNode(n *Node) []*track {
	var list []*track
	for _, what := range []string{"state", "metrics", "board"} {
		if t := w.tracks[wayKey(n.Name, what)]; t != nil && (what != "board" || !n.pages()) {
			list = append(list, t)
		}
	}
	return list
}

func (n *Node) pages() bool { return n.State != "" || n.Metrics != "" }

// scene gathers the evidence of this moment.
func (w *Watcher) scene(now time.Time) watch.Scene {
	every := w.Config.Every
	house := func(what string) watch.Seen { return w.tracks[wayKey("", what)].seen(now, every) }
	s := watch.Scene{Now: now, Zone: w.Config.Site.Zone, HouseRadio: house("house radio"), HouseNetwork: house("house network")}
	if d := w.tracks[wayKey("", "dashboard")]; d != nil {
		if s.DashboardUp = d.seen(now, every); s.DashboardUp == watch.Yes {
			s.DashboardFresh = watch.No
			if d.fresh && d.age <= w.Config.Dashboard.Stale {
				s.DashboardFresh = watch.Yes
			}
		}
	}
	sun, known := w.sun(now)
	hours := 0.0
	if !w.looked.IsZero() {
		hours = min(now.Sub(w.looked), 15*time.Minute).Hours()
	}
	witnesses := w.witnesses(now)
	for i := range w.Config.Nodes {
		l := &w.Config.Nodes[i]
		n := w.sight(l, now)
		n.Witnesses, n.SunSince, n.SunKnown = witnesses[l.Name], sun*hours, known
		s.Nodes = append(s.Nodes, n)
	}
	return s
}

// sight is what is seen of one node, without what others say.
func (w *Watcher) sight(l *Node, now time.Time) watch.Sight {
	n := watch.Sight{Name: l.Name, Via: l.Via}
	n.Radio = w.tracks[wayKey(l.Name, "radio")].seen(now, w.Config.Every)
	var ways []watch.Seen
	tries, lost, echo := 0, 0, -1.0
	for _, t := range w.ofNode(l) {
		seen := t.seen(now, w.Config.Every)
		if since := t.frozen(now, w.Config.Every); seen == watch.Yes && !since.IsZero() {
			seen, n.Frozen = watch.No, since
		}
		if t.other != "" {
			n.Other = t.other
		}
		if seen == watch.Yes && l.pages() && t.said == nil && t.err != "" {
			seen, n.Unsure = watch.Unknown, "its page answers, and cannot be read: "+t.err
		}
		ways = append(ways, seen)
		tries, lost, echo = tries+t.tries, lost+t.lost, max(echo, t.loss)
		t.tries, t.lost = 0, 0
	}
	if t := w.fresh(l, now); t != nil {
		n.Plan = planOf(t.said, t.saidA, l.Peak)
	}
	n.Board = anyOf(ways...)
	n.Answers = w.tracks[wayKey(l.Name, "board")].seen(now, w.Config.Every)
	switch {
	case echo >= 0:
		n.LossBefore = echo
	case tries > 0:
		n.LossBefore = float64(lost) / float64(tries)
	}
	return n
}

// fresh is the way by which a node said something of itself not too long ago; nil: none.
func (w *Watcher) fresh(n *Node, now time.Time) *track {
	for _, t := range w.ofNode(n) {
		if t.said != nil && now.Sub(t.saidA) <= 3*w.Config.Every+time.Minute {
			return t
		}
	}
	return nil
}

// witnesses collects what the nodes say of each other.
func (w *Watcher) witnesses(now time.Time) map[string][]watch.Witness {
	type called struct {
		name  string
		radio bool
	}
	calls := map[string]called{}
	for i := range w.Config.Nodes {
		l := &w.Config.Nodes[i]
		if calls[l.called()] = (called{name: l.Name}); l.RadioAs != "" {
			calls[l.RadioAs] = called{l.Name, true}
		}
	}
	out := map[string][]watch.Witness{}
	for i := range w.Config.Nodes {
		l := &w.Config.Nodes[i]
		t := w.fresh(l, now)
		if t == nil {
			continue
		}
		for _, p := range t.said.Peers {
			c, known := calls[p.Name]
			if !known || c.name == l.Name {
				continue
			}
			list := out[c.name]
			at := slices.IndexFunc(list, func(x watch.Witness) bool { return x.Name == l.Name })
			if at < 0 {
				list, at = append(list, watch.Witness{Name: l.Name}), len(list)
			}
			if c.radio {
				list[at].HearsRadio = max(list[at].HearsRadio, hears(p))
			} else {
				list[at].Hears = max(list[at].Hears, hears(p))
			}
			out[c.name] = list
		}
	}
	return out
}

// called is what other nodes call it, site what it calls itself.
func (n *Node) called() string { return cmp.Or(n.Called, n.Name) }
func (n *Node) site() string   { return cmp.Or(n.Site, n.Name) }

// sun is the share of full sun now: the middle one of what the panels tell. A panel in the
// shade and one that is covered must not speak for all.
func (w *Watcher) sun(now time.Time) (share float64, known bool) {
	var shares []float64
	for i := range w.Config.Nodes {
		l := &w.Config.Nodes[i]
		if t := w.fresh(l, now); t != nil {
			if x, ok := sunOn(t.said, l.Peak); ok {
				shares = append(shares, x)
			}
		}
	}
	if len(shares) == 0 {
		return 0, false
	}
	slices.Sort(shares)
	return shares[len(shares)/2], true
}
