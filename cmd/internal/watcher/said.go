package watcher

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"ebbwatch/alert/watch"
	"ebbwatch/collector/nodestate"
)

// A fact of another is too old from here on.
const (
	oldPeer    = 10 * time.Minute
	oldReading = 5 * time.Minute
)

// planOf is what the node says of its future, by our clock: its own may be wrong, so only
// spans of it are used.
func planOf(s *nodestate.State, now time.Time, peak float64) watch.Plan {
	if s.Battery.SoC == nil || !(*s.Battery.SoC >= 0 && *s.Battery.SoC <= 1) {
		return watch.Plan{}
	}
	p := watch.Plan{Stated: now, Charge: *s.Battery.SoC}
	full := fullSun(s, peak)
	if ah := s.Battery.UsableAh; ah != nil && full > 0 {
		p.NeedSun = reconnect * *ah * packVolts / full
	}
	if full > 0 {
		p.Drain = idle(s) / full
	}
	if s.Outlook == nil {
		return p
	}
	age := s.At.Sub(s.Outlook.At)
	if age < 0 || age > 24*time.Hour {
		age = 0 // not said, or its clock was set in between
	}
	ahead := func(hours *float64) time.Time {
		if hours == nil || math.Abs(*hours) > 1e4 {
			return time.Time{}
		}
		return now.Add(time.Duration(*hours*float64(time.Hour)) - age)
	}
	if x := s.Outlook.Cutoff.Within["24h"]; x != nil {
		p.Chance = *x
	}
	p.From, p.Likely, p.Back = ahead(s.Outlook.Cutoff.P10), ahead(s.Outlook.Cutoff.P50), ahead(s.Outlook.BackHours)
	if p.Late = ahead(s.Outlook.BackLate); p.Late.IsZero() && s.Outlook.HorizonHours > 0 {
		p.Late = ahead(&s.Outlook.HorizonHours) // it looked so far and saw no certain return
	}
	if h := s.Outlook.BackSun; h != nil && *h > 0 && *h < 1000 {
		p.NeedSun = *h
	}
	return p
}

// From the cut-off to the return, where the node does not say it: the charge at which
// controllers usually feed the load again, of a 12.8 V pack, and what arrives of the
// panel's label (common practice).
const (
	reconnect = 0.15
	packVolts = 12.8
	yield     = 0.75
)

// fullSun is what its panel brings in full sun, W: as it says, else by the label; 0 when
// neither is known.
func fullSun(s *nodestate.State, peak float64) float64 {
	if s.Outlook != nil && s.Outlook.FullSun != nil && *s.Outlook.FullSun > 0 {
		return *s.Outlook.FullSun
	}
	return peak * yield
}

// idle is what leaves its battery in the dark, W: what passes the meters, and what the
// controller and the protection take for themselves, some 25 mA (common practice).
func idle(s *nodestate.State) float64 {
	const own = 0.3
	if x := s.Battery.UnmeteredWatts; x != nil && *x > 0 && *x < 1000 {
		return own + *x
	}
	return own
}

// sunOn is the share of full sun that the panel gives; what it holds back for a full battery
// is missing, so it is the least. peak is its label, for a node that does not say what it
// brings in full sun; 0 when that is not known.
func sunOn(s *nodestate.State, peak float64) (share float64, known bool) {
	full := fullSun(s, peak)
	for _, r := range s.Readings {
		if r.Name == "pv_watts" && full > 0 && r.AgeS <= oldReading.Seconds() && r.Value >= 0 {
			return min(r.Value/full, 1.2), true
		}
	}
	return 0, false
}

// hears is what a node says of a peer.
func hears(p nodestate.Peer) watch.Seen {
	switch {
	case !p.Known || p.AgeS != nil && *p.AgeS > oldPeer.Seconds():
		return watch.Unknown
	case p.Up:
		return watch.Yes
	}
	return watch.No
}

// parseMetrics reads a scrape of a node, of whose metrics a few alone are used. Anything else
// that parses is a node that is up and says nothing.
func parseMetrics(body []byte) (*nodestate.State, error) {
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("the answer is no list of metrics: %w", err)
	}
	if len(families) == 0 {
		return nil, errors.New("the answer holds no metrics")
	}
	first := func(name, label, value string) nodestate.Num {
		for _, m := range families[name].GetMetric() {
			x := valueOf(m)
			if (label == "" || labelOf(m, label) == value) && !math.IsNaN(x) && !math.IsInf(x, 0) {
				return &x
			}
		}
		return nil
	}
	s := &nodestate.State{}
	s.Battery.SoC = first("ebbwatch_battery_soc_ratio", "", "")
	s.Battery.UsableAh = first("ebbwatch_battery_usable_ampere_hours", "", "")
	for _, m := range families["ebbwatch_peer_up"].GetMetric() {
		if len(s.Peers) < nodestate.MaxList {
			s.Peers = append(s.Peers, nodestate.Peer{Name: labelOf(m, "peer"), Known: true, Up: valueOf(m) == 1})
		}
	}
	if families["ebbwatch_cutoff_seconds"] != nil || families["ebbwatch_cutoff_probability_ratio"] != nil {
		hours := func(quantile string) nodestate.Num { // what is infinite lies beyond the horizon
			x := first("ebbwatch_cutoff_seconds", "quantile", quantile)
			if x != nil {
				*x /= 3600
			}
			return x
		}
		s.Outlook = &nodestate.Outlook{Cutoff: nodestate.Window{P10: hours("0.1"), P50: hours("0.5"),
			Within: map[string]nodestate.Num{"24h": first("ebbwatch_cutoff_probability_ratio", "within", "24h")}}}
	}
	return s, nil
}

func labelOf(m *dto.Metric, name string) string {
	for _, l := range m.GetLabel() {
		if l.GetName() == name {
			return l.GetValue()
		}
	}
	return ""
}

// valueOf is the value of a metric of any of the kinds that a node has; a scrape that lost its
// TYPE lines makes them untyped.
func valueOf(m *dto.Metric) float64 {
	switch {
	case m.Gauge != nil:
		return m.GetGauge().GetValue()
	case m.Counter != nil:
		return m.GetCounter().GetValue()
	case m.Untyped != nil:
		return m.GetUntyped().GetValue()
	}
	return math.NaN()
}
