package sim

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/collector/reading"
)

// Spec describes a node to simulate. The zero value of a number takes the usual value named
// beside it, unless zero is itself a sensible choice.
type Spec struct {
	Name      string
	Latitude  float64   // degrees, north positive
	Longitude float64   // degrees, east positive
	Start     time.Time // when its life begins
	Panel     Panel
	Sky       Sky
	Charger   Charger
	Battery   Battery
	Load      Load
	Sensors   Sensors
	Seed      uint64        // of load and sensor noise
	MaxStep   time.Duration // longest step that is computed at once; 1 min
	Events    []Event       // what happens to it, in order of time
}

// Event is something that befalls the node at a time of its life, such as snow on the panel.
type Event struct {
	At time.Duration // since Start
	Do func(s *Site)
}

// Truth is what is so, whatever the meters say. Currents are positive into the battery.
type Truth struct {
	At             time.Time
	SoC            float64 // share of UsableAh that is left, 0 to 1
	UsableAh       float64 // what the full battery would give at its present temperature, Ah
	Volts          float64 // at the battery's terminals, V
	Amps           float64 // into the battery, everything counted, A
	Celsius        float64 // inside the battery
	AirCelsius     float64
	GHI, POA       float64 // irradiance on level ground and on the panel, W/m²
	PanelWatts     float64 // taken from the panel
	ChargeAmps     float64 // out of the controller
	LoadWatts      float64 // on the load output, metered
	UnmeteredWatts float64 // past every meter
	Stage          reading.ChargeState
	Full           bool // the battery can take no more at the absorption voltage
	Curtailed      bool // the controller takes less than the panel could give
	LoadOn         bool // the load output is switched on
	Open           bool // the battery's own protection has opened: the node is dead
}

// Site is one simulated node. It is not safe for use by several goroutines at once.
type Site struct {
	spec   Spec
	now    time.Time
	light  light
	cells  cells
	ctl    controller
	demand demand
	meters meters
	rng    *rand.Rand
	truth  Truth
	hands  hands
	told   int // events that happened already
}

// hands is what somebody at the node has done to it.
type hands struct {
	covered    float64 // share of the panel
	off        bool    // the load output's line is cut
	atOutput   float64 // further load on the load output, W
	pastMeters float64 // and past the meters, W
	muted      bool    // the controller does not answer
}

// Mute has the controller answer nobody, as a plug that came loose does, or answer again.
func (s *Site) Mute(on bool) { s.hands.muted = on }

// Cover hides a share of the panel from the light, from now on.
func (s *Site) Cover(share float64) { s.hands.covered = min(max(share, 0), 1) }

// CutLoad switches what hangs on the load output off or on again, by a switch in its line.
func (s *Site) CutLoad(off bool) { s.hands.off = off }

// Plug adds a load of so many watts to the load output or, past the meters, to the battery's
// own terminals. Each replaces the one plugged in there before.
func (s *Site) Plug(watts float64, pastMeters bool) {
	if pastMeters {
		s.hands.pastMeters = watts
	} else {
		s.hands.atOutput = watts
	}
}

// touch applies them.
func (h hands) touch(sun *sunlight, radio, unmetered *float64) {
	lit := 1 - h.covered
	sun.poa, sun.watts, sun.short = sun.poa*lit, sun.watts*lit, sun.short*lit
	if h.covered > 0.5 && sun.voc > 0 { // what little light is left still makes some voltage
		sun.voc *= 1 - 0.6*(h.covered-0.5)
		sun.vmp *= 1 - 0.6*(h.covered-0.5)
	}
	*radio += h.atOutput
	if h.off {
		*radio = 0
	}
	*unmetered += h.pastMeters
}

// New makes a node at the start of its life.
func New(spec Spec) *Site {
	spec = spec.withDefaults()
	s := &Site{spec: spec, now: spec.Start, rng: rand.New(rand.NewPCG(spec.Seed, 0x5157))}
	s.light = newLight(spec)
	air := spec.Sky.At(spec.Start).Celsius
	s.cells = newCells(spec.Battery, air)
	s.ctl = controller{spec: spec.Charger, loadOn: true}
	s.demand = demand{spec: spec.Load, lon: spec.Longitude}
	s.meters = newMeters(spec.Sensors, s.rng)
	s.advance(time.Second)
	s.now = spec.Start
	s.truth.At = spec.Start
	return s
}

func (spec Spec) withDefaults() Spec {
	if spec.MaxStep <= 0 {
		spec.MaxStep = time.Minute
	}
	spec.Panel = spec.Panel.withDefaults()
	spec.Charger = spec.Charger.withDefaults()
	spec.Battery = spec.Battery.withDefaults()
	if spec.Sky == nil {
		spec.Sky = NewWeather(spec.Latitude, spec.Longitude,
			Story(spec.Latitude, spec.Longitude, spec.Start, []float64{0.7}, 10), spec.Seed)
	}
	return spec
}

// Now is the node's present moment.
func (s *Site) Now() time.Time { return s.now }

// Spec is the description the node was made from, with the usual values filled in.
func (s *Site) Spec() Spec { return s.spec }

// Truth is what is so at the present moment.
func (s *Site) Truth() Truth { return s.truth }

// Step lets dt pass, in pieces of at most the specified longest step.
func (s *Site) Step(dt time.Duration) {
	for dt > 0 {
		piece := min(dt, s.spec.MaxStep)
		s.advance(piece)
		dt -= piece
		for s.told < len(s.spec.Events) && !s.now.Before(s.spec.Start.Add(s.spec.Events[s.told].At)) {
			s.spec.Events[s.told].Do(s)
			s.told++
		}
	}
}

// StepTo lets time pass until t; an earlier t changes nothing.
func (s *Site) StepTo(t time.Time) { s.Step(t.Sub(s.now)) }

func (s *Site) advance(dt time.Duration) {
	s.now = s.now.Add(dt)
	sec := dt.Seconds()
	sun := s.light.at(s.now)
	radio, unmetered := s.demand.step(s.now, sec, s.rng)
	s.hands.touch(&sun, &radio, &unmetered)
	flow := s.ctl.step(&s.cells, sun, radio, unmetered, sec)
	s.cells.warm(sun.air, sun.poa, flow.amps, sec)
	s.meters.step(sec, s.rng)
	s.truth = Truth{
		At: s.now, SoC: s.cells.soc, UsableAh: s.cells.usableAh(),
		Volts: flow.volts, Amps: flow.amps, Celsius: s.cells.celsius, AirCelsius: sun.air,
		GHI: sun.ghi, POA: sun.poa, PanelWatts: flow.panelWatts, ChargeAmps: flow.chargeAmps,
		LoadWatts: flow.loadWatts, UnmeteredWatts: flow.unmeteredWatts,
		Stage: s.ctl.stage, Full: flow.full, Curtailed: flow.curtailed,
		LoadOn: s.ctl.loadOn, Open: s.cells.open,
	}
	s.meters.panelVolts = flow.panelVolts
}

// or is x, or the usual value where x was left at zero.
func or(x, usual float64) float64 {
	if x == 0 || math.IsNaN(x) {
		return usual
	}
	return x
}
