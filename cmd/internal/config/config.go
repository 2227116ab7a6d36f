package config

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"time"
	"unicode"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/cmd/internal/remotewrite"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector"
	"ebbwatch/collector/decode"
	"ebbwatch/collector/weather"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sky"
)

// Config is the whole configuration of a node.
type Config struct {
	File        string              `yaml:"-"` // as given to [Load]
	Doubts      []decode.Problem    `yaml:"-"` // what can be used, and is most likely not meant
	Site        Site                `yaml:"site" need:"true" doc:"the place"`
	Battery     Battery             `yaml:"battery" need:"true" doc:"the battery"`
	Array       *Array              `yaml:"array" doc:"the panel and its charger; without it the panel is learned from its harvest, and until then, one to four weeks, no chance is stated"`
	Sources     []Source            `yaml:"sources" doc:"what is measured and how; each has a name and exactly one kind"`
	Weather     *weather.Config     `yaml:"weather" doc:"a forecast service; without it the outlook uses the climate of the place"`
	Alerts      decode.Section      `yaml:"alerts" doc:"when to warn; built-in rules apply without any"`
	Notify      []Channel           `yaml:"notify" doc:"whom to tell; each has a name and exactly one kind"`
	Web         Web                 `yaml:"web" doc:"the page, the metrics and the interface for programs"`
	RemoteWrite *remotewrite.Config `yaml:"remote_write" doc:"a server that takes Prometheus remote write: gaps are filled after an outage"`
	Heartbeat   *heartbeat.Config   `yaml:"heartbeat" doc:"an outside dead-man service that is told while all is well, and alarms when it is told no more"`
	State       string              `yaml:"state" path:"true" len:"1.." example:"/var/lib/ebbwatch" doc:"folder for what must survive a restart"`
	Loads       *decode.Section     `yaml:"loads" doc:"what is fed, as {name, watts, duty}; for planning, as the four below: examples/plan-slipway.yaml shows their keys"`
	Plan        *decode.Section     `yaml:"plan" doc:"what a plan assumes: target, temperatures, snow, horizon, a measured record"`
	Prices      *decode.Section     `yaml:"prices" doc:"what things cost"`
	Wiring      *decode.Section     `yaml:"wiring" doc:"the cables and the steps of the cut-off"`
	Radio       *decode.Section     `yaml:"radio" doc:"the path between two antennas"`
}

// Site is the place of the node.
type Site struct {
	Name       string    `yaml:"name" need:"true" len:"1..64" example:"slipway" doc:"short name of the node, used in notices"`
	Latitude   float64   `yaml:"latitude" need:"true" range:"-90..90" example:"52.75" doc:"degrees, north positive"`
	Longitude  float64   `yaml:"longitude" need:"true" range:"-180..180" example:"6.57" doc:"degrees, east positive"`
	AltitudeM  float64   `yaml:"altitude_m" default:"0" range:"-430..6000" doc:"metres above the sea"`
	Timezone   string    `yaml:"timezone" default:"UTC" doc:"for times shown to people, such as Europe/Amsterdam"`
	Insolation []float64 `yaml:"insolation_kwh_m2_day" len:"12" range:"0..9000" hint:"kWh/m² a day, January to December; the decimal sign is a point" example:"[0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]" doc:"long-term mean irradiation on the horizontal by month, kWh/m² a day"`
	// Zone is Timezone, loaded.
	Zone *time.Location `yaml:"-"`
}

// Check loads the time zone and holds the monthly means against the sun of the latitude.
func (s *Site) Check(problem func(key, what string)) {
	if len(s.Insolation) == 12 {
		if err := sky.CheckInsolation(s.Insolation, s.Latitude, s.AltitudeM); err != nil {
			problem("insolation_kwh_m2_day", err.Error())
		}
	}
	if strings.ContainsFunc(s.Name, func(r rune) bool { return !unicode.IsPrint(r) }) {
		problem("name", fmt.Sprintf("%q holds what cannot be shown, such as a new line", s.Name))
	}
	zone, err := time.LoadLocation(s.Timezone)
	if err != nil {
		problem("timezone", fmt.Sprintf("%q is not a time zone such as Europe/Amsterdam", s.Timezone))
		return
	}
	s.Zone = zone
}

// Battery is what the owner says of the battery.
type Battery struct {
	CapacityAh  float64  `yaml:"capacity_ah" need:"true" range:"0.5..20000" example:"80" doc:"capacity on the label, Ah"`
	Cells       int      `yaml:"cells" default:"4" range:"1..18" doc:"LiFePO4 cells in series: 4 make 12.8 V"`
	Reserve     float64  `yaml:"reserve" default:"0.20" range:"0..0.95" hint:"a ratio: 20 % is 0.20" doc:"charge not to go below, 0 to 1"`
	CutoffVolts *float64 `yaml:"cutoff_volts" range:"1.5..65" example:"11.6" doc:"voltage under load at which the controller disconnects the load; 2.9 V a cell when left out"`
	InitialSoC  *float64 `yaml:"initial_soc" range:"0..1" hint:"a ratio: 80 % is 0.80" example:"0.8" doc:"charge at the very first start, 0 to 1, if it is known"`
	ZeroAmps    *float64 `yaml:"zero_amps" range:"0.001..0.5" example:"0.005" doc:"how far the current sensor may be off when nothing flows, A, where that is known; some 0.06 when left out, which hides a load of 0.8 W"`
}

// The voltage of a LiFePO4 cell under load at which a controller may sensibly disconnect,
// and what it is when the owner does not say (common practice).
const (
	lowestCutoffPerCell  = 2.0
	highestCutoffPerCell = 3.35
	usualCutoffPerCell   = 2.9
)

// Check holds the cut-off against the number of cells.
func (b *Battery) Check(problem func(key, what string)) {
	if b.CutoffVolts == nil {
		return
	}
	cells := float64(b.Cells)
	low, high := lowestCutoffPerCell*cells, highestCutoffPerCell*cells
	if *b.CutoffVolts < low || *b.CutoffVolts > high {
		problem("cutoff_volts", fmt.Sprintf("%g is outside %.4g..%.4g, which %d cells allow", *b.CutoffVolts, low, high, b.Cells))
	}
}

// Model is the battery in the estimator's terms.
func (b Battery) Model() battery.Battery {
	m := battery.Battery{
		CapacityAh: b.CapacityAh, Cells: b.Cells, Reserve: b.Reserve,
		CutoffVolts: usualCutoffPerCell * float64(b.Cells), InitialSoC: math.NaN(),
	}
	if b.CutoffVolts != nil {
		m.CutoffVolts = *b.CutoffVolts
	}
	if b.InitialSoC != nil {
		m.InitialSoC = *b.InitialSoC
	}
	if b.ZeroAmps != nil {
		m.ZeroAmps = *b.ZeroAmps
	}
	return m
}

// Array is the panel and its charger.
type Array struct {
	WattsPeak  float64  `yaml:"watts_peak" need:"true" range:"1..50000" example:"240" doc:"power on the label of all panels together, W"`
	TiltDeg    float64  `yaml:"tilt_deg" need:"true" range:"0..90" example:"60" doc:"degrees from horizontal"`
	AzimuthDeg *float64 `yaml:"azimuth_deg" range:"0..360" example:"180" doc:"degrees from north, clockwise; towards the equator when left out"`
	Charger    string   `yaml:"charger" default:"mppt" oneof:"mppt pwm" doc:"the kind of charge controller"`
}

// Place is the site and its panel in the outlook's terms. WattsPeak is 0 without a panel.
func (c *Config) Place() outlook.Site {
	p := outlook.Site{
		Latitude: c.Site.Latitude, Longitude: c.Site.Longitude, AltitudeM: c.Site.AltitudeM,
		Insolation: c.Site.Insolation, Zone: c.Site.Zone,
	}
	if c.Array == nil {
		return p
	}
	p.WattsPeak, p.TiltDeg, p.MPPT = c.Array.WattsPeak, c.Array.TiltDeg, c.Array.Charger == "mppt"
	switch {
	case c.Array.AzimuthDeg != nil:
		p.AzimuthDeg = *c.Array.AzimuthDeg
	case c.Site.Latitude >= 0:
		p.AzimuthDeg = 180
	}
	return p
}

// Source is one entry under sources.
type Source struct {
	Name  string        `yaml:"name" need:"true" len:"1..32" example:"charger" doc:"of your choice; a-z, 0-9, - and _"`
	Every time.Duration `yaml:"every" default:"10s" range:"1s..1h" doc:"how often it is read"`
	Kinds []part        `yaml:",inline"`
	// Kind names the way of measuring; Source is nil where it was not asked for.
	Kind   string           `yaml:"-"`
	Source collector.Source `yaml:"-"`
}

// Channel is one entry under notify.
type Channel struct {
	Name   string        `yaml:"name" need:"true" len:"1..32" example:"owner" doc:"of your choice; a-z, 0-9, - and _"`
	Least  string        `yaml:"least" default:"info" oneof:"info warning critical" doc:"the least grave that is sent"`
	Rules  []string      `yaml:"rules" example:"[cutoff_ahead, over_temperature]" doc:"only notices of these rules; all when left out"`
	Phases []alert.Phase `yaml:"phases" oneof:"raised changed cleared" doc:"only these phases; all when left out"`
	Second bool          `yaml:"second" default:"false" doc:"true: a second person, told only what nobody acknowledged by the time to act"`
	Kinds  []part        `yaml:",inline"`
	// Kind names the way of telling; Channel is nil where it was not asked for.
	Kind    string        `yaml:"-"`
	Channel alert.Channel `yaml:"-"`
}

// Takes is which notices go out by the channel.
func (c Channel) Takes() outbox.Channel {
	return outbox.Channel{Name: c.Name, Least: alert.Severity(c.Least), Rules: c.Rules, Phases: c.Phases, Escalated: c.Second}
}

// part is a key that names a kind, with the section below it.
type part struct {
	Key     string          `yaml:",key"`
	Section *decode.Section `yaml:",value"`
}

// Web is the listening side.
type Web struct {
	Listen string   `yaml:"listen" default:"127.0.0.1:9777" doc:"address and port; 0.0.0.0 means every interface"`
	Names  []string `yaml:"names" example:"[slipway.example]" doc:"names under which the page is opened, beside its addresses, localhost and the name of the machine; others are refused"`
}

// Check takes the address apart.
func (w *Web) Check(problem func(key, what string)) {
	if err := web.CheckAddress(w.Listen); err != nil {
		problem("listen", err.Error())
	}
}

func typeOfConfig() reflect.Type { return reflect.TypeFor[Config]() }
