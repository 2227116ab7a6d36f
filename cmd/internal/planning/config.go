package planning

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/collector/decode"
	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/radio"
	"ebbwatch/estimator/plan/wiring"
)

// Load is one entry under loads.
type Load struct {
	Name      string    `yaml:"name" need:"true" len:"1..40" doc:"of your choice"`
	Watts     float64   `yaml:"watts" need:"true" range:"0.001..5000" doc:"at the device while it is on, W; measured, not from the label"`
	Worst     float64   `yaml:"worst_watts" default:"0" range:"0..5000" doc:"the most it ever takes, W; watts when left out"`
	Duty      float64   `yaml:"duty" default:"1" range:"0..1" hint:"a ratio: half of the time is 0.5" doc:"share of the time on, within its hours"`
	Hours     []string  `yaml:"hours" doc:"local hours in which it is on, such as 06-22; all day when left out"`
	ByHour    []float64 `yaml:"by_hour" len:"24" range:"0..1" doc:"instead of hours and duty, the share of each hour from 00 to 23"`
	Converter float64   `yaml:"converter" default:"1" range:"0.2..1" doc:"efficiency of the converter at the device"`
	Boost     *float64  `yaml:"boost" range:"0.2..1" doc:"efficiency of the converter at the battery; 1 when left out, 0.9 with poe_m"`
	PoEMeters float64   `yaml:"poe_m" default:"0" range:"0..200" doc:"metres of data cable that feed it; 0 is none"`
	Cable     *Cable    `yaml:"cable" doc:"the cable that feeds it"`
	Shed      bool      `yaml:"shed" default:"false" doc:"it may be switched off at night to save the rest"`

	share [24]float64
}

// Cable is a length of two conductors.
type Cable struct {
	Meters   float64 `yaml:"meters" need:"true" range:"0.1..2000" doc:"one way"`
	MM2      float64 `yaml:"mm2" default:"0" range:"0..400" doc:"section, mm²"`
	AWG      *int    `yaml:"awg" range:"-3..30" doc:"instead of mm2, the American gauge; 1/0 to 4/0 are 0 to -3"`
	Flexible bool    `yaml:"flexible" default:"true" doc:"fine strands"`
}

// Check wants one size.
func (c *Cable) Check(problem func(key, what string)) {
	if (c.MM2 > 0) == (c.AWG != nil) {
		problem("", "a cable needs exactly one of mm2 and awg")
	}
}

func (c *Cable) conductor() wiring.Cable {
	out := wiring.Cable{MM2: c.MM2, Flexible: c.Flexible}
	if c.AWG != nil {
		out.AWG, out.Gauge = *c.AWG, true
	}
	return out
}

// Check works out the hours.
func (l *Load) Check(problem func(key, what string)) {
	if len(l.ByHour) > 0 {
		if len(l.Hours) > 0 {
			problem("by_hour", "give hours or by_hour, not both")
			return
		}
		copy(l.share[:], l.ByHour)
		return
	}
	for h := range 24 {
		if len(l.Hours) == 0 {
			l.share[h] = l.Duty
		}
	}
	for i, span := range l.Hours {
		from, to, ok := hourSpan(span)
		if !ok {
			problem(fmt.Sprintf("hours[%d]", i), fmt.Sprintf("%q is not a span of hours such as 06-22", span))
			return
		}
		for h := from; h != to; h = (h + 1) % 24 {
			l.share[h] = l.Duty
		}
	}
	if l.PoEMeters > 0 && l.Cable != nil {
		problem("cable", "a device is fed by poe_m or by cable, not both")
	}
}

// hourSpan reads 06-22, or 22-06 through midnight; 24 is midnight too.
func hourSpan(s string) (from, to int, ok bool) {
	a, b, cut := strings.Cut(s, "-")
	from, errA := strconv.Atoi(strings.TrimSpace(a))
	to, errB := strconv.Atoi(strings.TrimSpace(b))
	ok = cut && errA == nil && errB == nil && from >= 0 && from < 24 && to >= 0 && to <= 24 && from != to%24
	return from, to % 24, ok
}

// Assume is the section plan.
type Assume struct {
	Target     float64   `yaml:"target" default:"0.01" range:"0.0001..0.5" hint:"a ratio: 1 % is 0.01" doc:"share of the year that may be dark"`
	AirCelsius []float64 `yaml:"air_celsius" len:"12" range:"-60..50" doc:"mean air temperature by month, °C"`
	SnowDays   []float64 `yaml:"snow_days" len:"12" range:"0..31" doc:"days a month on which the panel lies under snow"`
	Horizon    []Corner  `yaml:"horizon" doc:"what stands before the panel, corner by corner round the compass"`
	BoxWarmerK float64   `yaml:"box_warmer_k" default:"0" range:"0..40" doc:"how much warmer the battery is than the air"`
	Release    float64   `yaml:"charge_release_celsius" default:"3" range:"0..20" doc:"at which a battery that was too cold takes charge again, °C; protections release some kelvin above freezing (common practice)"`
	WarmTo     float64   `yaml:"heated_to_celsius" default:"0" range:"0..30" doc:"a heater keeps the battery at this, °C; 0 is none. Only with a thermal cut-off of its own"`
	LossWK     float64   `yaml:"box_loss_w_per_k" default:"0" range:"0..20" doc:"what the battery's box loses, W for each kelvin: area m² × 0.035 / insulation m, and half again for its seams"`
	ColdCharge bool      `yaml:"charges_below_freezing" default:"false" doc:"the battery is made for it; LiFePO4 usually is not"`
	Measured   string    `yaml:"measured" path:"true" doc:"a record of days: CSV with date, ghi_kwh_m2 and perhaps t_mean_c"`
	SunFile    string    `yaml:"sun_file" path:"true" doc:"a monthly table of a public radiation database, JSON or CSV"`
	SunURL     string    `yaml:"sun_url" doc:"where to fetch such a table, over HTTPS"`
	Pair       *Pair     `yaml:"pair" doc:"a buried pair from a house, instead of the sun"`
}

// Check sorts the horizon's corners out.
func (a *Assume) Check(problem func(key, what string)) {
	for i := 1; i < len(a.Horizon); i++ {
		if a.Horizon[i].Azimuth <= a.Horizon[i-1].Azimuth {
			problem(fmt.Sprintf("horizon[%d]", i), "the corners go clockwise from north, each azimuth above the one before")
		}
	}
	if (a.WarmTo > 0) != (a.LossWK > 0) {
		problem("heated_to_celsius", "a heater needs both heated_to_celsius and box_loss_w_per_k: its energy is what it costs")
	}
	if a.SunFile != "" && a.SunURL != "" {
		problem("sun_url", "give sun_file or sun_url, not both")
	}
}

// Corner is a corner of the horizon.
type Corner struct {
	Azimuth float64 `yaml:"azimuth" need:"true" range:"0..360" doc:"degrees from north, clockwise"`
	Height  float64 `yaml:"height" need:"true" range:"0..85" doc:"degrees above the horizontal"`
}

// Pair is a feed from a house.
type Pair struct {
	Cable
	Volts float64 `yaml:"volts" default:"48" range:"5..60" doc:"at the house; above 60 V it is not a matter for laymen"`
}

// Prices is the section prices.
type Prices struct {
	Currency  string  `yaml:"currency" default:"" len:"0..8" doc:"shown beside the sums"`
	PanelWatt float64 `yaml:"panel_watt" default:"0" range:"0..1000" doc:"of 1 W of panel"`
	BatteryAh float64 `yaml:"battery_ah" default:"0" range:"0..10000" doc:"of 1 Ah of the battery"`
	TrenchM   float64 `yaml:"trench_m" default:"0" range:"0..10000" doc:"of 1 m of trench with its cable"`
	Charger   float64 `yaml:"charger" default:"0" range:"0..100000" doc:"of a maximum-power charger"`
}

func (p Prices) plan() plan.Prices {
	return plan.Prices{PanelWatt: p.PanelWatt, BatteryAh: p.BatteryAh, TrenchM: p.TrenchM, Controller: p.Charger}
}

// Wiring is the section wiring.
type Wiring struct {
	BatteryMilliohms float64 `yaml:"battery_milliohms" default:"0" range:"0..500" doc:"inside the battery and its link to the fuse, if measured, for the short current; from the capacity when left out"`
	Runs             []Run   `yaml:"runs" doc:"the cables"`
	ShedVolts        float64 `yaml:"shed_volts" default:"0" range:"0..65" doc:"at which the radio is shed; 0 is not at all"`
	StopVolts        float64 `yaml:"stop_volts" default:"0" range:"0..65" doc:"at which the board stops in good order"`
	BackVolts        float64 `yaml:"back_volts" default:"0" range:"0..65" doc:"at which the controller gives the load back"`
	ProtectionVolts  float64 `yaml:"protection_volts" default:"0" range:"0..65" doc:"at which the battery's own protection opens; 0 is not known"`
}

// Run is one cable.
type Run struct {
	Name string `yaml:"name" need:"true" len:"1..40" doc:"such as battery to radio"`
	Cable
	Watts float64  `yaml:"watts" default:"0" range:"0..50000" doc:"worst power that it feeds"`
	Amps  float64  `yaml:"amps" default:"0" range:"0..2000" doc:"or its worst current"`
	Volts *float64 `yaml:"volts" range:"1..65" doc:"lowest at its supply; the cut-off when left out"`
	Most  float64  `yaml:"most_drop" default:"0.03" range:"0.001..0.5" hint:"a ratio: 3 % is 0.03" doc:"largest drop that is wanted"`
	Fuse  float64  `yaml:"fuse" default:"0" range:"0..1000" doc:"A, at its supply; 0 is none"`
	Open  bool     `yaml:"no_fuse" default:"false" doc:"it needs none: a panel's own cable, whose short current it carries for ever"`
}

// Check wants a load on the run.
func (r *Run) Check(problem func(key, what string)) {
	r.Cable.Check(problem)
	if r.Watts == 0 && r.Amps == 0 {
		problem("", "a run needs watts or amps")
	}
}

// Radio is the section radio.
type Radio struct {
	MHz     float64 `yaml:"mhz" need:"true" range:"100..90000" doc:"frequency"`
	From    End     `yaml:"from" need:"true" doc:"one antenna"`
	To      End     `yaml:"to" need:"true" doc:"the other"`
	Profile []Place `yaml:"profile" need:"true" len:"2..500" doc:"the ground from one to the other"`
}

// Check wants a profile that goes forward from 0.
func (r *Radio) Check(problem func(key, what string)) {
	for i, p := range r.Profile {
		if i == 0 && p.At != 0 || i > 0 && p.At <= r.Profile[i-1].At {
			problem(fmt.Sprintf("profile[%d].at", i), "a profile begins at 0 and goes forward")
			return
		}
	}
}

// End is an antenna.
type End struct {
	Name   string  `yaml:"name" need:"true" len:"1..40" doc:"of the place"`
	Height float64 `yaml:"height_m" need:"true" range:"0..500" doc:"above the ground"`
	Power  float64 `yaml:"power_dbm" need:"true" range:"-30..60" doc:"of the transmitter"`
	Gain   float64 `yaml:"gain_dbi" need:"true" range:"-20..60" doc:"of the antenna"`
	Loss   float64 `yaml:"loss_db" default:"0" range:"0..60" doc:"of cable and connectors"`
	Needs  float64 `yaml:"needs_dbm" default:"-75" range:"-150..0" doc:"least signal for the rate that is wanted"`
}

// Place is a place on the way.
type Place struct {
	At      float64 `yaml:"at" need:"true" range:"0..200000" doc:"metres from the first antenna"`
	Ground  float64 `yaml:"ground" need:"true" range:"-430..9000" doc:"height, m"`
	Trees   float64 `yaml:"trees" default:"0" range:"0..120" doc:"height of the trees from here to the next place"`
	Needles bool    `yaml:"needles" default:"false" doc:"they keep their leaves in winter"`
}

func (r *Radio) path() radio.Path {
	end := func(e End) radio.End {
		return radio.End{Name: e.Name, Height: e.Height, Power: e.Power, Gain: e.Gain, Loss: e.Loss, Needs: e.Needs}
	}
	p := radio.Path{MHz: r.MHz, From: end(r.From), To: end(r.To)}
	for _, x := range r.Profile {
		p.Profile = append(p.Profile, radio.Point{At: x.At, Ground: x.Ground, Trees: x.Trees, Needles: x.Needles})
	}
	return p
}

// Drawing is all that a configuration says for a plan.
type Drawing struct {
	Loads  []Load
	Assume Assume
	Prices Prices
	Wiring *Wiring
	Radio  *Radio
}

// Decode reads the sections of a plan. All problems are returned.
func Decode(c *config.Config) (Drawing, []decode.Problem) {
	d := Drawing{Assume: Assume{Target: math.NaN(), Release: 3}}
	var problems []decode.Problem
	into := func(s *decode.Section, v any) {
		if s == nil {
			return
		}
		if s.Decode(v) != nil {
			problems = s.Problems()
		}
	}
	into(c.Loads, &d.Loads)
	into(c.Prices, &d.Prices)
	if c.Plan != nil {
		into(c.Plan, &d.Assume)
	} else {
		d.Assume.Target = 0.01
	}
	if c.Wiring != nil {
		d.Wiring = &Wiring{}
		into(c.Wiring, d.Wiring)
	}
	if c.Radio != nil {
		d.Radio = &Radio{}
		into(c.Radio, d.Radio)
	}
	return d, problems
}
