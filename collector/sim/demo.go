package sim

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"sync"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// DefaultSpeed is a day in a minute.
const DefaultSpeed = 1440

// DefaultSeed is the seed of the demonstration as it was tried.
const DefaultSeed = 11

// DemoOptions choose a demonstration; the zero value is the usual one.
type DemoOptions struct {
	Speed float64 // simulated over real time; 0 is [DefaultSpeed]
	Seed  uint64  // of sky, loads and meters; 0 is [DefaultSeed]
	Scene string  // what happens, by the name of one of [Scenes]; empty is the first
}

// Demo is a simulated node on a real wire whose time runs fast: the relay on the slipway of
// a rowing club, early in October: a fair day, then three grey ones, then sun.
type Demo struct {
	Spec  Spec
	Scene Scene
	Speed float64
	Unit  byte   // of the Modbus slave
	TCP   string // where it listens: host and port
	RTU   string // the serial port on which it answers too; empty where there is none
	NoRTU error  // why there is none
	Map   []byte // the register map, YAML

	live *Live
	ln   net.Listener
	line *Line
	once sync.Once
}

// DemoZone is the time zone of the demonstration's site.
const DemoZone = "Europe/Amsterdam"

// DemoStart is when the demonstration begins, the same every time.
func DemoStart() time.Time { return time.Date(2026, time.October, 5, 6, 0, 0, 0, time.UTC) }

// DemoSpec is the demonstration's node. Its label says 100 Ah, the truth is a little less;
// the current meters err by 1 % and 30 mA, and 0.8 W leave the battery past them.
func DemoSpec(seed uint64) Spec {
	const lat, lon = 52.75, 6.57
	errs := UsualErrors()
	for q, off := range map[reading.Quantity]float64{
		reading.BatteryAmps: 0.03, reading.ChargeAmps: 0.02, reading.LoadAmps: -0.01,
	} {
		e := errs[q]
		e.Gain, e.Offset = 0.01, off
		errs[q] = e
	}
	// The grey days hold a tenth of the light.
	sky := []float64{0.95, 0.12, 0.10, 0.20, 0.95, 0.92, 0.9, 0.7, 0.4, 0.8, 0.15, 0.5, 0.9}
	return Spec{
		Name: "slipway", Latitude: lat, Longitude: lon, Start: DemoStart(), Seed: seed,
		Panel:   Panel{WattsPeak: 300, TiltDeg: 60, AzimuthDeg: 180, Vmp: 18, Loss: 0.05, HorizonDeg: 3},
		Sky:     NewWeather(lat, lon, Story(lat, lon, DemoStart(), sky, 11), seed),
		Charger: Charger{MPPT: true, CutoffVolts: 11.6, ReconnectVolts: 12.8, AbsorbFor: 90 * time.Minute},
		Battery: Battery{CapacityAh: 96, LabelAh: 100, StartSoC: 0.82},
		Load:    Load{DayWatts: 17, NightWatts: 13.5, Flutter: 0.06, UnmeteredWatts: 0.8},
		Sensors: Sensors{Errors: errs},
	}
}

// NewDemo listens on a loopback address, and on a pseudo terminal where the system has one.
// The site stands still until [Demo.Run].
func NewDemo(o DemoOptions) (*Demo, error) {
	if o.Speed < 0 || math.IsNaN(o.Speed) || math.IsInf(o.Speed, 0) {
		return nil, fmt.Errorf("cannot run at the speed %g: it must be above 0", o.Speed)
	}
	if o.Seed == 0 {
		o.Seed = DefaultSeed
	}
	spec := DemoSpec(o.Seed)
	scene, err := sceneOf(o.Scene)
	if err != nil {
		return nil, err
	}
	scene.Apply(&spec)
	d := &Demo{Spec: spec, Scene: scene, Speed: or(o.Speed, DefaultSpeed), Unit: 1}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("cannot listen for the demonstration: %w", err)
	}
	d.ln, d.TCP, d.Map = ln, ln.Addr().String(), d.Spec.MapYAML()
	if d.line, d.NoRTU = OpenLine(); d.NoRTU == nil {
		d.RTU = d.line.Path
	}
	d.live = NewLive(New(d.Spec), d.Speed)
	return d, nil
}

// Run starts the site's time and answers on the wires until the context ends. It leaves
// nothing behind. It can run once.
func (d *Demo) Run(ctx context.Context) error {
	ran := true
	d.once.Do(func() { ran = false })
	if ran {
		return errors.New("cannot run the demonstration twice")
	}
	d.live.Begin()
	slave := d.live.Slave(d.Unit)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	failed := make(chan error, 2)
	serving := 1
	go func() { failed <- slave.ServeTCP(ctx, d.ln) }()
	if d.line != nil {
		serving++
		go func() { failed <- slave.ServeRTU(ctx, d.line) }()
	}
	var errs error
	for range serving {
		errs = errors.Join(errs, <-failed)
		cancel() // one wire lost ends the demonstration
	}
	return errs
}

// Close gives the wires back when [Demo.Run] was never called.
func (d *Demo) Close() error {
	ran := true
	d.once.Do(func() { ran = false })
	if ran {
		return nil
	}
	err := d.ln.Close()
	if d.line != nil {
		err = errors.Join(err, d.line.Close())
	}
	return err
}

// Now is the simulated moment. Its wall clock is right.
func (d *Demo) Now() reading.Stamp { return d.live.Now() }

// Real is how long a span of simulated time takes: what to wait between polls that are so
// far apart at the site.
func (d *Demo) Real(simulated time.Duration) time.Duration {
	return time.Duration(float64(simulated) / d.Speed)
}

// Truth is what is so at the site now.
func (d *Demo) Truth() (t Truth) {
	d.live.Look(func(s *Site) { t = s.Truth() })
	return t
}

// Paths answers for the hops beyond the site, gate and boathouse, as pings would in the
// simulated weather; real pings make no sense in fast time.
func (d *Demo) Paths() collector.Source { return &paths{live: d.live} }

// Waited is a source whose questions the site's time waits for, see [Live.Waited]. It must be
// called before [Demo.Run].
func (d *Demo) Waited(src collector.Source, every time.Duration) collector.Source {
	return d.live.Waited(src, every)
}

// PathNames lists the hops that [Demo.Paths] answers for.
func PathNames() []string {
	var names []string
	for _, h := range hops() {
		names = append(names, h.name)
	}
	return names
}

// Config is a configuration that watches the demonstration: its site, battery, array and
// one source, whose map lies at mapFile, over the serial line or over TCP. Periods are in
// simulated time.
func (d *Demo) Config(mapFile string, serial bool) string {
	b, p, c := d.Spec.Battery, d.Spec.Panel, d.Spec.Charger
	kind, wire := "pwm", fmt.Sprintf("tcp: %q", d.TCP)
	if c.MPPT {
		kind = "mppt"
	}
	if serial {
		wire = fmt.Sprintf("port: %q, baud: 9600", d.RTU)
	}
	return fmt.Sprintf(`site: {name: %s, latitude: %g, longitude: %g, altitude_m: 12, timezone: %s,
       insolation_kwh_m2_day: [0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]}
battery: {capacity_ah: %g, cells: 4, reserve: 0.20, cutoff_volts: %g, initial_soc: 0.8}
array: {watts_peak: %g, tilt_deg: %g, azimuth_deg: %g, charger: %s}
sources:
  - {name: charger, every: 10m, modbus: {%s, unit: %d, map: %q}}
`, d.Spec.Name, d.Spec.Latitude, d.Spec.Longitude, DemoZone,
		b.LabelAh, c.CutoffVolts, p.WattsPeak, p.TiltDeg, p.AzimuthDeg, kind, wire, d.Unit, mapFile)
}
