package watcher

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ebbwatch/alert/watch"
)

// said is as much of what a node says of itself as is relied on; all of it may be missing.
type said struct {
	Site    string    `json:"site"`
	At      time.Time `json:"at"`
	Battery struct {
		SoC       *float64 `json:"soc"`
		UsableAh  *float64 `json:"usable_ampere_hours"`
		Unmetered *float64 `json:"unmetered_watts"`
	} `json:"battery"`
	Outlook  *outlookSaid `json:"outlook"`
	Readings []struct {
		Name  string  `json:"name"`
		Value float64 `json:"value"`
		AgeS  float64 `json:"age_seconds"`
	} `json:"readings"`
	Peers []peerSaid `json:"peers"`
}

// outlookSaid is its look ahead; hours are from At.
type outlookSaid struct {
	At     time.Time `json:"at"`
	Cutoff struct {
		P10    *float64            `json:"hours_p10"`
		P50    *float64            `json:"hours_p50"`
		Within map[string]*float64 `json:"within"`
	} `json:"cutoff"`
	Horizon float64  `json:"horizon_hours"`
	Back    *float64 `json:"back_hours"`
	Late    *float64 `json:"back_late_hours"`
	BackSun *float64 `json:"back_sun_hours"` // hours of full sun from the cut-off to the return
	FullSun *float64 `json:"full_sun_watts"` // what its panel brings in full sun
}

// peerSaid is what a node says of the way to another.
type peerSaid struct {
	Name  string   `json:"name"`
	Known bool     `json:"known"`
	Up    bool     `json:"up"`
	AgeS  *float64 `json:"age_seconds"`
}

// maxPeers bounds what is kept of a node that says too much.
const maxPeers = 256

var errNoState = errors.New("the answer is no state of a node")

// parseState reads /api/v1/state.
func parseState(body []byte) (*said, error) {
	var s said
	if err := json.Unmarshal(body, &s); err != nil || s.Site == "" && s.At.IsZero() {
		return nil, errNoState
	}
	s.Peers = s.Peers[:min(len(s.Peers), maxPeers)]
	s.Readings = s.Readings[:min(len(s.Readings), maxPeers)]
	return &s, nil
}

// A fact of another is too old from here on.
const (
	oldPeer    = 10 * time.Minute
	oldReading = 5 * time.Minute
)

// plan is what the node says of its future, by our clock: its own may be wrong, so only
// spans of it are used.
func (s *said) plan(now time.Time, peak float64) watch.Plan {
	if s.Battery.SoC == nil || !(*s.Battery.SoC >= 0 && *s.Battery.SoC <= 1) {
		return watch.Plan{}
	}
	p := watch.Plan{Stated: now, Charge: *s.Battery.SoC}
	full := s.fullSun(peak)
	if ah := s.Battery.UsableAh; ah != nil && full > 0 {
		p.NeedSun = reconnect * *ah * packVolts / full
	}
	if full > 0 {
		p.Drain = s.idle() / full
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
	p.From, p.Likely, p.Back = ahead(s.Outlook.Cutoff.P10), ahead(s.Outlook.Cutoff.P50), ahead(s.Outlook.Back)
	if p.Late = ahead(s.Outlook.Late); p.Late.IsZero() && s.Outlook.Horizon > 0 {
		p.Late = ahead(&s.Outlook.Horizon) // it looked so far and saw no certain return
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
func (s *said) fullSun(peak float64) float64 {
	if s.Outlook != nil && s.Outlook.FullSun != nil && *s.Outlook.FullSun > 0 {
		return *s.Outlook.FullSun
	}
	return peak * yield
}

// idle is what leaves its battery in the dark, W: what passes the meters, and what the
// controller and the protection take for themselves, some 25 mA (common practice).
func (s *said) idle() float64 {
	const own = 0.3
	if x := s.Battery.Unmetered; x != nil && *x > 0 && *x < 1000 {
		return own + *x
	}
	return own
}

// sun is the share of full sun that the panel gives; what it holds back for a full battery
// is missing, so it is the least. peak is its label, for a node that does not say what it
// brings in full sun; 0 when that is not known.
func (s *said) sun(peak float64) (share float64, known bool) {
	full := s.fullSun(peak)
	for _, r := range s.Readings {
		if r.Name == "pv_watts" && full > 0 && r.AgeS <= oldReading.Seconds() && r.Value >= 0 {
			return min(r.Value/full, 1.2), true
		}
	}
	return 0, false
}

// seen is what the node says of a peer.
func (p peerSaid) seen() watch.Seen {
	switch {
	case !p.Known || p.AgeS != nil && *p.AgeS > oldPeer.Seconds():
		return watch.Unknown
	case p.Up:
		return watch.Yes
	}
	return watch.No
}

// parseMetrics reads the text format of Prometheus, of which a node's own metrics alone are
// used. Anything else that parses is a node that is up and says nothing.
func parseMetrics(text string) (*said, error) {
	s, lines := &said{}, 0
	q := map[string]float64{}
	for line := range strings.Lines(text) {
		name, labels, x, err := parseSample(strings.TrimSpace(line))
		switch {
		case errors.Is(err, errComment):
			continue
		case err != nil:
			return nil, fmt.Errorf("the answer is no list of metrics: %w", err)
		}
		lines++
		switch name {
		case "ebbwatch_battery_soc_ratio":
			s.Battery.SoC = &x
		case "ebbwatch_battery_usable_ampere_hours":
			s.Battery.UsableAh = &x
		case "ebbwatch_cutoff_seconds":
			q[labels["quantile"]] = x / 3600
		case "ebbwatch_cutoff_probability_ratio":
			q[labels["within"]] = x
		case "ebbwatch_peer_up":
			s.Peers = append(s.Peers, peerSaid{Name: labels["peer"], Known: true, Up: x == 1})
		}
	}
	if lines == 0 {
		return nil, errors.New("the answer holds no metrics")
	}
	s.Peers = s.Peers[:min(len(s.Peers), maxPeers)]
	s.outlookFrom(q)
	return s, nil
}

// outlookFrom fills the outlook from metrics; what is infinite lies beyond the horizon.
func (s *said) outlookFrom(q map[string]float64) {
	at := func(key string) *float64 {
		if x, known := q[key]; known && !math.IsNaN(x) && !math.IsInf(x, 0) {
			return &x
		}
		return nil
	}
	if len(q) == 0 {
		return
	}
	s.Outlook = &outlookSaid{}
	s.Outlook.Cutoff.P10, s.Outlook.Cutoff.P50 = at("0.1"), at("0.5")
	s.Outlook.Cutoff.Within = map[string]*float64{"24h": at("24h")}
}

var errComment = errors.New("a comment")

// parseSample takes one line of the text format apart.
func parseSample(line string) (name string, labels map[string]string, x float64, err error) {
	if line == "" || line[0] == '#' {
		return "", nil, 0, errComment
	}
	end := strings.IndexAny(line, "{ \t")
	if end <= 0 {
		return "", nil, 0, fmt.Errorf("%.40q is no sample", line)
	}
	name, rest := line[:end], line[end:]
	if rest[0] == '{' {
		if labels, rest, err = parseLabels(rest[1:]); err != nil {
			return "", nil, 0, fmt.Errorf("%.40q: %w", line, err)
		}
	}
	fields := strings.Fields(rest)
	if len(fields) == 0 {
		return "", nil, 0, fmt.Errorf("%.40q has no value", line)
	}
	if x, err = strconv.ParseFloat(fields[0], 64); err != nil {
		return "", nil, 0, fmt.Errorf("%.40q is no number", fields[0])
	}
	return name, labels, x, nil
}

// parseLabels reads up to the closing brace.
func parseLabels(text string) (labels map[string]string, rest string, err error) {
	labels = map[string]string{}
	for {
		text = strings.TrimLeft(text, ", ")
		if after, done := strings.CutPrefix(text, "}"); done {
			return labels, after, nil
		}
		key, after, ok := strings.Cut(text, "=")
		value, qerr := strconv.QuotedPrefix(after)
		if !ok || qerr != nil {
			return nil, "", errors.New("the labels cannot be read")
		}
		plain, qerr := strconv.Unquote(value)
		if qerr != nil {
			return nil, "", errors.New("the labels cannot be read")
		}
		labels[strings.TrimSpace(key)], text = plain, after[len(value):]
	}
}
