package hwmon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// Config is the section hwmon or iio of a source: which chip, and which quantity each of
// its channels measures.
type Config struct {
	Chip     string    `yaml:"chip" need:"true" doc:"name of the chip, as in its file name in sysfs"`
	Device   string    `yaml:"device" doc:"device of the chip, such as 1-0040, where several have the same name"`
	Channels []Channel `yaml:",inline" doc:"channel, such as in1 or curr1, to quantity"`
}

// Channel is one channel of a chip.
type Channel struct {
	Name     string   `yaml:",key"`
	Plain    string   `yaml:",value"`
	Quantity string   `yaml:"quantity" doc:"which quantity, such as battery_volts"`
	Scale    *float64 `yaml:"scale" doc:"factor, such as -1 to turn the sign round, or 10 for a sensor of 10 A per V"`
	Offset   float64  `yaml:"offset" default:"0" doc:"added after scaling, in the unit of the quantity"`
}

// class is one of the two ways in which the kernel shows sensors.
type class struct {
	key     string // of the section
	folder  string // below the root of sysfs
	prefix  string // of the chips' folders
	example string
	kindOf  func(channel string) (unit string, ok bool) // unit of what a channel measures
	read    func(dir, channel string) (float64, error)  // in that unit
}

// Kind is the way of measuring named hwmon.
func Kind() collector.Kind {
	return kind(hwmonClass(), "shunt monitors and thermometers that the kernel knows (hwmon)",
		"hwmon: {chip: ina226, in1: battery_volts, curr1: {quantity: battery_amps, scale: -1}}\n")
}

// IIOKind is the way of measuring named iio.
func IIOKind() collector.Kind {
	return kind(iioClass(), "converters and sensors of the kernel's industrial input (iio)",
		"iio: {chip: ads1015, in_voltage0: {quantity: battery_volts, scale: 6.6}, in_voltage1: {quantity: load_amps, scale: 20}}\n")
}

func kind(c class, summary, sample string) collector.Kind {
	return collector.NewKind(c.key, summary, sample, func(d collector.Decoder, conf Config) (collector.Source, error) {
		points := compile(conf, c, d.Problem)
		if len(points) == 0 {
			return nil, fmt.Errorf("cannot read %s: the section %s is wrong", conf.Chip, c.key)
		}
		return newSource(conf, c, points, "/sys"), nil
	})
}

// point is a channel made ready to read.
type point struct {
	channel  string
	quantity reading.Quantity
	scale    float64
	offset   float64
}

// compile checks the channels; any problem leaves no points.
func compile(conf Config, c class, problem func(key, format string, args ...any)) (points []point) {
	good := true
	bad := func(key, format string, args ...any) {
		good = false
		problem(key, format, args...)
	}
	seen := map[reading.Quantity]string{}
	for _, ch := range conf.Channels {
		name := ch.Quantity
		if name == "" {
			name = ch.Plain
		}
		q, isQuantity := reading.ParseQuantity(name)
		unit, isChannel := c.kindOf(ch.Name)
		other, twice := seen[q]
		p := point{channel: ch.Name, quantity: q, scale: 1, offset: ch.Offset}
		if ch.Scale != nil {
			p.scale = *ch.Scale
		}
		switch {
		case !isChannel:
			bad(ch.Name, "is not a channel such as %s", c.example)
		case !isQuantity || q >= reading.NumSite:
			bad(ch.Name, "%s", reading.NotAQuantity(name))
		case twice:
			bad(ch.Name, "%v is already read from %s", q, other)
		case p.scale == 0:
			bad(ch.Name, "scale is zero")
		default:
			if want := reading.Quantities()[q].Unit; want != unit && ch.Scale == nil {
				bad(ch.Name, "measures %s, and %v is in %s: give the scale from one to the other", unit, q, orNone(want))
			}
			seen[q] = ch.Name
		}
		points = append(points, p)
	}
	if len(points) == 0 {
		bad("", "names no channel such as %s", c.example)
	}
	if !good {
		return nil
	}
	return points
}

func orNone(unit string) string {
	if unit == "" {
		return "no unit"
	}
	return unit
}

type source struct {
	config Config
	class  class
	points []point
	root   string
	mu     sync.Mutex
	busy   chan answer // of a read that did not return in time; nil when there is none
}

type answer struct {
	values []reading.Value
	err    error
}

func newSource(conf Config, c class, points []point, root string) *source {
	return &source{config: conf, class: c, points: points, root: root}
}

// Read reads every channel once. A driver whose bus hangs cannot be interrupted: then Read
// returns with the context, and nothing more is asked until the driver has answered.
func (s *source) Read(ctx context.Context) ([]reading.Value, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.busy == nil {
		s.busy = make(chan answer, 1)
		go func(out chan<- answer) {
			values, err := s.readAll(ctx)
			out <- answer{values, err}
		}(s.busy)
	} else {
		select {
		case <-s.busy: // an answer to an earlier question, too old to use
			s.busy = nil
			return nil, collector.Errorf(collector.Timeout, "cannot use the answer of %s: it came too late", s.config.Chip)
		default:
		}
	}
	select {
	case a := <-s.busy:
		s.busy = nil
		return a.values, a.err
	case <-ctx.Done():
		return nil, collector.Errorf(collector.Timeout, "cannot read %s: its driver does not answer: %w", s.config.Chip, ctx.Err())
	}
}

// readAll finds the chip, for its number may have changed, and reads its channels.
func (s *source) readAll(ctx context.Context) ([]reading.Value, error) {
	dir, err := s.find()
	if err != nil {
		return nil, collector.Errorf(collector.Port, "%w", err)
	}
	var values []reading.Value
	var errs []error
	for _, p := range s.points {
		v, err := s.readPoint(ctx, dir, p)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		values = append(values, v)
	}
	return values, errors.Join(errs...)
}

// tries is how often a sensor that is not ready is asked.
const tries = 3

func (s *source) readPoint(ctx context.Context, dir string, p point) (reading.Value, error) {
	x, err := s.class.read(dir, p.channel)
	for n := 1; n < tries && errors.Is(err, errNotReady); n++ {
		select {
		case <-ctx.Done():
		case <-time.After(20 * time.Millisecond):
		}
		x, err = s.class.read(dir, p.channel)
	}
	if err != nil {
		return reading.Value{}, collector.Errorf(kindOf(err), "cannot read %s of %s: %w", p.channel, s.config.Chip, err)
	}
	v := reading.Value{Quantity: p.quantity, X: x*p.scale + p.offset}
	if !p.quantity.Possible(v.X) {
		return v, collector.Errorf(collector.Refused, "cannot believe %s of %s: %v cannot be %g %s", p.channel, s.config.Chip, p.quantity, v.X, reading.Quantities()[p.quantity].Unit)
	}
	if s.config.Chip == oneWire && x == powerUp {
		v.Suspect = "what a one-wire thermometer shows before its first measurement"
	}
	return v, nil
}

// The name of one-wire thermometers, and what they show before the first conversion, °C.
const (
	oneWire = "w1_slave_temp"
	powerUp = 85.0
)

// find gives the folder of the chip.
func (s *source) find() (string, error) {
	chips, err := list(s.root, s.class)
	if err != nil {
		return "", err
	}
	var found []chip
	for _, c := range chips {
		if c.name == s.config.Chip && (s.config.Device == "" || c.is(s.config.Device)) {
			found = append(found, c)
		}
	}
	switch {
	case len(found) == 1:
		return found[0].dir, nil
	case len(found) > 1:
		return "", fmt.Errorf("cannot tell which %s is meant: there are %d; set device to one of %s",
			s.config.Chip, len(found), strings.Join(devices(found), ", "))
	case s.config.Device != "":
		return "", fmt.Errorf("cannot find %s at %s: there is %s", s.config.Chip, s.config.Device, describe(chips))
	}
	return "", fmt.Errorf("cannot find a chip named %s: there is %s", s.config.Chip, describe(chips))
}

func devices(chips []chip) (out []string) {
	for _, c := range chips {
		out = append(out, c.device)
	}
	slices.Sort(out)
	return out
}

func describe(chips []chip) string {
	var names []string
	for _, c := range chips {
		names = append(names, fmt.Sprintf("%s (%s)", c.name, c.device))
	}
	if len(names) == 0 {
		return "none at all; is the driver loaded?"
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
