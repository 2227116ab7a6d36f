package modbus

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"ebbwatch/collector"
)

// Config is the section of a source that speaks Modbus.
type Config struct {
	Port     string        `yaml:"port" doc:"serial port, best by /dev/serial/by-id"`
	TCP      string        `yaml:"tcp" doc:"host:port that speaks Modbus/TCP"`
	RTUTCP   string        `yaml:"rtu_tcp" doc:"host:port that passes RTU frames on to a serial line"`
	Baud     int           `yaml:"baud" default:"9600" range:"300..4000000" doc:"speed of the serial line, bits per second"`
	Parity   string        `yaml:"parity" default:"none" oneof:"none even odd" doc:"parity of the serial line"`
	StopBits int           `yaml:"stop_bits" default:"1" range:"1..2" doc:"stop bits of the serial line"`
	Unit     int           `yaml:"unit" default:"1" range:"0..255" doc:"address of the device on the line; 1 to 247 on a serial line"`
	Map      string        `yaml:"map" need:"true" doc:"register map: a file beside the configuration, or the word sunspec"`
	Timeout  time.Duration `yaml:"timeout" default:"1s" range:"20ms..30s" doc:"how long to wait for the beginning of an answer, until that is learned from the answers"`
	Current  string        `yaml:"battery_amps" oneof:"into out_of" doc:"SunSpec only: which way the device counts battery current as positive"`
}

// Check reports settings that contradict each other.
func (c *Config) Check(problem func(key, what string)) {
	var given []string
	for _, o := range []struct{ key, value string }{{"port", c.Port}, {"tcp", c.TCP}, {"rtu_tcp", c.RTUTCP}} {
		if o.value != "" {
			given = append(given, o.key)
		}
	}
	switch len(given) {
	case 0:
		problem("", "needs one of port, tcp and rtu_tcp")
	case 1:
	default:
		problem(given[1], fmt.Sprintf("cannot go with %s: a source has one line", given[0]))
	}
	if c.TCP == "" && (c.Unit < 1 || c.Unit > 247) {
		problem("unit", fmt.Sprintf("must be 1 to 247 on a serial line: %d", c.Unit))
	}
	if c.Current != "" && c.Map != sunspecMap {
		problem("battery_amps", "goes with map: sunspec; in a register map a negative scale turns the sign round")
	}
}

const sunspecMap = "sunspec"

const sample = `port: /dev/serial/by-id/usb-0001
baud: 9600
unit: 1
map: maps/example-charger.yaml
`

// NewKind is the row of this package in the table of sources. Sources that it makes share
// one owner for each port or host.
func NewKind() collector.Kind {
	owners := &registry{buses: map[string]*Bus{}}
	return collector.Kind{
		Name:    "modbus",
		Summary: "a controller, shunt or gateway that speaks Modbus, over a serial port or a network",
		Sample:  strings.TrimSpace(sample),
		New: func(d collector.Decoder) (collector.Source, error) {
			return newSource(d, owners)
		},
	}
}

// registry finds the owner of a line.
type registry struct {
	mu    sync.Mutex
	buses map[string]*Bus
}

// owner gives the owner of a line, or says how it is set already when that differs.
func (r *registry) owner(s Settings) (bus *Bus, clash string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	key := s.String()
	if real, err := filepath.EvalSymlinks(s.Port); err == nil && s.Port != "" {
		key = real // one port may have several names
	}
	b, known := r.buses[key]
	if !known {
		b = NewBus(s)
		r.buses[key] = b
	}
	if s.TCP == "" && b.settings.Mode != s.Mode {
		m := b.settings.Mode
		return b, fmt.Sprintf("differs from another source at %s: one line has one setting, there it is %d baud, parity %s, %d stop bits",
			s, m.Baud, m.Parity, m.StopBits)
	}
	return b, ""
}

func newSource(d collector.Decoder, owners *registry) (collector.Source, error) {
	var c Config
	var m Map
	err := d.Decode(&c)
	if c.Map != sunspecMap && c.Map != "" { // also beside a problem: all are told at once
		err = errors.Join(err, d.File("map", c.Map, &m))
	}
	if err != nil {
		return nil, err
	}
	bus, clash := owners.owner(Settings{Port: c.Port, TCP: c.TCP, RTUTCP: c.RTUTCP, Mode: Mode{Baud: c.Baud, Parity: c.Parity, StopBits: c.StopBits}})
	if clash != "" {
		d.Problem("baud", "%s", clash)
		return nil, fmt.Errorf("cannot share %s: it is set differently elsewhere", bus.settings)
	}
	if c.Map == sunspecMap {
		bus.Declare(byte(c.Unit), c.Timeout, 0)
		return newSunSpec(bus, byte(c.Unit), c.Current), nil
	}
	// The map was checked when it was read.
	l := m.compile(func(string, string) {})
	bus.Declare(byte(c.Unit), c.Timeout, l.pause)
	return newMapped(bus, byte(c.Unit), l), nil
}
