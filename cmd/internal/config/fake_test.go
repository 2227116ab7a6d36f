package config

import (
	"context"
	"errors"
	"fmt"

	"ebbwatch/alert"
	"ebbwatch/collector"
	"ebbwatch/collector/decode"
	"ebbwatch/collector/reading"
)

// nothing is a source and a channel that does nothing.
type nothing struct{ settings any }

func (nothing) Read(context.Context) ([]reading.Value, error) { return nil, nil }
func (nothing) Send(context.Context, alert.Notice) error      { return nil }

// wire is shaped like the settings of a source on a serial line.
type wire struct {
	Port string `yaml:"port"`
	TCP  string `yaml:"tcp"`
	Baud int    `yaml:"baud" default:"9600" range:"1200..115200"`
	Unit uint8  `yaml:"unit" default:"1" range:"1..247"`
	Map  string `yaml:"map" need:"true"`
}

func (w *wire) Check(problem func(key, what string)) {
	if (w.Port == "") == (w.TCP == "") {
		problem("", "exactly one of port and tcp is needed")
	}
}

// registers is shaped like a register map in a file of its own.
type registers struct {
	Registers []struct {
		Address  uint16  `yaml:"address" need:"true"`
		Quantity string  `yaml:"quantity" need:"true" oneof:"battery_volts battery_amps pv_watts"`
		Scale    float64 `yaml:"scale" default:"1"`
	} `yaml:"registers" need:"true" len:"1..125"`
}

func (r *registers) Check(problem func(key, what string)) {
	for i := 1; i < len(r.Registers); i++ {
		if r.Registers[i].Address == r.Registers[i-1].Address {
			problem(fmt.Sprintf("registers[%d].address", i), fmt.Sprintf("register %d is listed twice", r.Registers[i].Address))
		}
	}
}

func newWire(d collector.Decoder) (collector.Source, error) {
	var w wire
	if err := d.Decode(&w); err != nil {
		return nil, err
	}
	if w.Map == "sunspec" {
		return nothing{w}, nil
	}
	var r registers
	if err := d.File("map", w.Map, &r); err != nil {
		return nil, err
	}
	return nothing{w}, nil
}

type chips struct {
	Chip   string            `yaml:"chip" need:"true"`
	Inputs map[string]string `yaml:",inline"`
}

func newChips(d collector.Decoder) (collector.Source, error) {
	var c chips
	if err := d.Decode(&c); err != nil {
		return nil, err
	}
	for input, quantity := range c.Inputs {
		if _, ok := reading.ParseQuantity(quantity); !ok {
			d.Problem(input, "%q is not a quantity", quantity)
		}
	}
	return nothing{c}, nil
}

type host struct {
	Name string `yaml:",key"`
	Addr string `yaml:",value"`
}

type hosts struct {
	Hosts []host `yaml:"hosts" need:"true" len:"1..50"`
}

func newHosts(d collector.Decoder) (collector.Source, error) {
	var h hosts
	err := d.Decode(&h)
	return nothing{h}, err
}

type hook struct {
	URL     string `yaml:"url" secret:"true"`
	URLFile string `yaml:"url_file" path:"true"`
}

func newHook(d alert.Decoder) (alert.Channel, error) {
	var h hook
	if err := d.Decode(&h); err != nil {
		return nil, err
	}
	if h.URL == "" && h.URLFile == "" {
		return nil, errors.New("a url or a url_file is needed")
	}
	return nothing{h}, nil
}

// rules is shaped like the section alerts.
type rules struct {
	TripHours  float64 `yaml:"trip_hours" default:"1.5" range:"0..72"`
	FalseAYear float64 `yaml:"false_alarms_a_year" default:"0"`
	Quiet      string  `yaml:"quiet"`
	Rules      []struct {
		Name string `yaml:"name" need:"true"`
		When string `yaml:"when" need:"true"`
	} `yaml:"rules"`
}

func fakeKinds() Kinds {
	return Kinds{
		Sources: []collector.Kind{
			{Name: "modbus", Summary: "registers of a controller", Sample: "port: /dev/serial/by-id/usb-0001\nmap: sunspec", New: newWire},
			{Name: "hwmon", Summary: "chips that the kernel reads", Sample: "chip: ina226\nin1: battery_volts", New: newChips},
			{Name: "ping", Summary: "the ways to the peers", Sample: "hosts: {island: 10.20.0.3}", New: newHosts},
		},
		Channels: []alert.Kind{
			{Name: "webhook", Summary: "a POST to a URL", Sample: "url_file: hook.url", New: newHook},
		},
		Alerts: func(s *decode.Section) error { return s.Decode(new(rules)) },
	}
}
