package reading

import (
	"fmt"
	"math"
	"time"
)

// Quantity names one thing that can be measured at a node.
type Quantity uint8

// The quantities of a site, in the order of [Quantities].
const (
	BatteryVolts Quantity = iota
	BatteryAmps
	BatteryCelsius
	PanelVolts
	PanelAmps
	PanelWatts
	ChargeAmps
	LoadVolts
	LoadAmps
	LoadWatts
	LoadOn
	AirCelsius
	ControllerCelsius
	ChargeStage
	ControllerSoC
	// NumSite counts the quantities that describe the site as a whole.
	NumSite
)

// The quantities of a peer: [Value.Of] says which peer.
const (
	PeerUp Quantity = NumSite + iota // 0 or 1
	PeerRTTSeconds
	PeerLossRatio
	PeerRTTP95Seconds
	PeerJitterSeconds
	PeerSoC
	// NumQuantities counts them all.
	NumQuantities
)

// Info describes one quantity.
type Info struct {
	Name string  // as in register maps, CSV columns, JSON and rules
	Unit string  // as printed: V, A, W, °C, or empty
	Min  float64 // below this no working node can be: the value is refused
	Max  float64 // above likewise
	Help string
}

// Quantities describes every quantity; it is indexed by [Quantity].
// The bounds are common practice for 12.8 V and 25.6 V nodes with room to spare. What flows one
// way only may read a little below zero: the zero of a cheap converter is off by some steps.
func Quantities() [NumQuantities]Info {
	return [NumQuantities]Info{
		BatteryVolts:      {"battery_volts", "V", 0, 70, "battery voltage"},
		BatteryAmps:       {"battery_amps", "A", -300, 300, "battery current, positive into the battery"},
		BatteryCelsius:    {"battery_celsius", "°C", -50, 100, "battery temperature"},
		PanelVolts:        {"pv_volts", "V", -0.5, 450, "panel voltage"},
		PanelAmps:         {"pv_amps", "A", -0.5, 150, "panel current"},
		PanelWatts:        {"pv_watts", "W", -5, 10000, "panel power"},
		ChargeAmps:        {"charge_amps", "A", -0.5, 300, "charging current out of the controller"},
		LoadVolts:         {"load_volts", "V", -0.5, 70, "voltage at the load output"},
		LoadAmps:          {"load_amps", "A", -0.5, 150, "load current"},
		LoadWatts:         {"load_watts", "W", -5, 5000, "load power"},
		LoadOn:            {"load_on", "", 0, 1, "load output switched on (1) or off (0)"},
		AirCelsius:        {"air_celsius", "°C", -60, 70, "air temperature"},
		ControllerCelsius: {"controller_celsius", "°C", -50, 130, "controller temperature"},
		ChargeStage:       {"charge_state", "", 0, float64(numStages - 1), "charging stage"},
		ControllerSoC:     {"controller_soc", "", 0, 1, "the controller's own claim of charge"},
		PeerUp:            {"peer_up", "", 0, 1, "peer answers (1) or not (0)"},
		PeerRTTSeconds:    {"peer_rtt_seconds", "s", 0, 3600, "median round trip to the peer"},
		PeerLossRatio:     {"peer_loss_ratio", "", 0, 1, "share of probes that the peer did not answer"},
		PeerRTTP95Seconds: {"peer_rtt_p95_seconds", "s", 0, 3600, "95th percentile of the round trip to the peer"},
		PeerJitterSeconds: {"peer_jitter_seconds", "s", 0, 3600, "mean change between successive round trips to the peer"},
		PeerSoC:           {"peer_soc", "", 0, 1, "charge that the peer reports of its own battery"},
	}
}

// String is the quantity's name.
func (q Quantity) String() string {
	if q < NumQuantities {
		return Quantities()[q].Name
	}
	return fmt.Sprintf("Quantity(%d)", uint8(q))
}

// Possible tells whether a working node can have such a value.
func (q Quantity) Possible(x float64) bool {
	info := Quantities()[q]
	return x >= info.Min && x <= info.Max // NaN is neither
}

// ParseQuantity finds a quantity of the site by its name.
func ParseQuantity(name string) (Quantity, bool) {
	for q, info := range Quantities() {
		if info.Name == name {
			return Quantity(q), true
		}
	}
	return 0, false
}

// ChargeState is what the controller says it is doing.
type ChargeState uint8

// The charging stages of the trade.
const (
	Off ChargeState = iota
	Bulk
	Absorption
	Float
	Equalize
	Fault
	numStages
)

func stageNames() [numStages]string {
	return [numStages]string{"off", "bulk", "absorption", "float", "equalize", "fault"}
}

// String is the stage's name: off, bulk, absorption, float, equalize or fault.
func (c ChargeState) String() string {
	if c < numStages {
		return stageNames()[c]
	}
	return fmt.Sprintf("ChargeState(%d)", uint8(c))
}

// ParseChargeState finds a stage by its name.
func ParseChargeState(name string) (ChargeState, bool) {
	for c, n := range stageNames() {
		if n == name {
			return ChargeState(c), true
		}
	}
	return 0, false
}

// ParseState is the number that stands for the name of a state: a charging stage, or on and off
// of the load output. No other quantity has states.
func ParseState(q Quantity, name string) (float64, bool) {
	switch q {
	case ChargeStage:
		stage, known := ParseChargeState(name)
		return float64(stage), known
	case LoadOn:
		switch name {
		case "off", "false", "0":
			return 0, true
		case "on", "true", "1":
			return 1, true
		}
	}
	return 0, false
}

// Value is one measured number. What was not measured is absent from a list of values,
// never zero.
type Value struct {
	Quantity Quantity
	Of       string        // the peer, for the quantities of a peer
	X        float64       // in the unit of the quantity
	Suspect  string        // why the number is doubted; empty when it is not
	Every    time.Duration // it is asked for no oftener, where that is more seldom than the source is polled
}

// Stamp is a moment on both clocks. Durations come from Mono alone: the wall clock of a
// small board may step by years.
type Stamp struct {
	Mono    time.Duration // since some fixed instant of this process; never goes back
	Wall    time.Time     // what the wall clock said
	Trusted bool          // the wall clock is known to be right
}

// Reading is what is known of the site at one moment.
type Reading struct {
	Stamp
	x     [NumSite]float64
	known uint32
}

// Set records x as the value of q. A value that is not finite is not recorded.
func (r *Reading) Set(q Quantity, x float64) {
	if q >= NumSite || math.IsNaN(x) || math.IsInf(x, 0) {
		return
	}
	r.x[q] = x
	r.known |= 1 << q
}

// Get is the value of q, and whether it is known.
func (r *Reading) Get(q Quantity) (x float64, known bool) {
	if q >= NumSite || r.known&(1<<q) == 0 {
		return 0, false
	}
	return r.x[q], true
}

// Known tells whether all of the quantities are known.
func (r *Reading) Known(qs ...Quantity) bool {
	for _, q := range qs {
		if q >= NumSite || r.known&(1<<q) == 0 {
			return false
		}
	}
	return true
}

// Empty tells whether nothing at all is known.
func (r *Reading) Empty() bool { return r.known == 0 }

// Forecast is one issue of a weather forecast.
type Forecast struct {
	Issued time.Time
	Hours  []ForecastHour // in order of Start
}

// ForecastHour is the mean over the hour that starts at Start. What the service does not
// give is NaN.
type ForecastHour struct {
	Start      time.Time
	GHI        float64 // global horizontal irradiance, W/m²
	CloudRatio float64 // cloud cover, 0 to 1
	AirCelsius float64
}
