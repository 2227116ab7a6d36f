package survey

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/modbus"
)

// Found is where a device answered.
type Found struct {
	Settings modbus.Settings
	Unit     byte
	Home     Address // what it answered to
	Readable bool    // that was no refusal: there is a register at Home
}

// String is what to write into the configuration.
func (f Found) String() string {
	s := f.Settings
	switch {
	case s.TCP != "":
		return fmt.Sprintf("tcp: %q, unit: %d", s.TCP, f.Unit)
	case s.RTUTCP != "":
		return fmt.Sprintf("rtu_tcp: %q, unit: %d", s.RTUTCP, f.Unit)
	}
	out := fmt.Sprintf("port: %s, baud: %d, unit: %d", s.Port, s.Baud, f.Unit)
	if s.Parity != "" && s.Parity != "none" {
		out += ", parity: " + s.Parity
	}
	return out
}

// apart is the least pause between two questions of a survey: the line may be busy with
// somebody else's work, and there is no hurry.
const apart = 20 * time.Millisecond

// modes are the settings of serial lines to try, the usual ones first. A line without parity
// may have one stop bit or two: a receiver does not mind.
func modes() []modbus.Mode {
	var out []modbus.Mode
	for _, parity := range []string{"none", "even", "odd"} {
		for _, baud := range []int{9600, 19200, 115200, 38400, 57600, 4800, 2400} {
			out = append(out, modbus.Mode{Baud: baud, Parity: parity, StopBits: 1})
		}
	}
	return out
}

// units to try: those that devices are delivered with, then the rest.
func units(all bool) [][]byte {
	out := [][]byte{{1}, {2, 3, 4, 5, 6, 7, 8, 9, 10, 16, 17, 32, 100, 247}}
	if !all {
		return out
	}
	var rest []byte
	for u := byte(11); u < 247; u++ {
		if u != 16 && u != 17 && u != 32 && u != 100 {
			rest = append(rest, u)
		}
	}
	return append(out, rest)
}

// Probe looks for a device that answers: at every usual speed and parity, unless one is
// given, under the usual unit numbers, unless one is given. It waits a whole second for each
// answer. Any answer counts, a refusal too.
func (s *Survey) Probe(ctx context.Context, o Options) (Found, error) {
	tries := []modbus.Mode{o.Settings.Mode}
	if o.Settings.Port != "" && o.Settings.Baud == 0 {
		tries = modes()
	}
	groups := units(o.AllUnits)
	if o.Unit != 0 {
		groups = [][]byte{{byte(o.Unit)}}
	}
	noise := map[string]bool{}
	homes := o.homes()
	n := 0
	for _, group := range groups {
		n += len(tries) * len(group) * len(homes)
	}
	seen := s.progress("looking for it", n)
	for _, group := range groups {
		for _, mode := range tries {
			set := o.Settings
			set.Mode = mode
			s.Talk.Say("Asking " + speak(set) + " for " + span(group) + " …")
			found, err := s.tryMode(ctx, set, group, homes, seen, noise)
			if err != nil || found.Unit != 0 {
				return found, err
			}
		}
	}
	return Found{}, errors.New(silent(o.Settings, noise))
}

// speak names a line and its settings.
func speak(s modbus.Settings) string {
	if s.Port == "" {
		return s.String()
	}
	parity := s.Parity
	if parity == "" || parity == "none" {
		parity = "no"
	}
	return fmt.Sprintf("%s at %d baud, %s parity,", s.Port, s.Baud, parity)
}

func span(group []byte) string {
	if len(group) == 1 {
		return fmt.Sprintf("unit %d", group[0])
	}
	return fmt.Sprintf("units %d to %d (%d of them)", group[0], group[len(group)-1], len(group))
}

// homes are the registers to ask for. Some devices are silent where they have none, so those that
// the owner knows come first, and where port, speed and unit are given, usual ones are tried too.
func (o Options) homes() (out []Address) {
	out = append(out, Address{modbus.Holding, 0})
	add := func(at int) {
		for _, table := range tables() {
			if a := (Address{table, at}); !slices.Contains(out, a) {
				out = append(out, a)
			}
		}
	}
	for _, at := range o.Try {
		add(at)
		if at > 40000 { // a manual that numbers from 40001 means holding registers, from 30001 input registers
			out = append(out, Address{modbus.Holding, at - 40001})
		} else if at > 30000 {
			out = append(out, Address{modbus.Input, at - 30001})
		}
	}
	if o.Unit != 0 && (o.Settings.Port == "" || o.Settings.Baud != 0) {
		for _, at := range []int{0, 1, 16, 100, 256, 512, 1000, 4096, 8192, 12544, 30000, 40000} {
			add(at)
		}
	}
	return out
}

// tryMode asks each unit on a line with one setting.
func (s *Survey) tryMode(ctx context.Context, set modbus.Settings, group []byte, homes []Address, seen *progress, noise map[string]bool) (Found, error) {
	line := s.Open(set)
	defer line.Close()
	for _, unit := range group {
		home, readable, err := s.answersAny(ctx, line, unit, homes, seen)
		switch {
		case ctx.Err() != nil:
			return Found{}, fmt.Errorf("stopped: %w", context.Cause(ctx))
		case err == nil:
			if s.steady(ctx, line, unit, home) {
				if readable && home.Number != 0 {
					s.Talk.Say(fmt.Sprintf("Unit %d answers at %s register %d, as on the wire.", unit, home.Table, home.Number))
				} else {
					s.Talk.Say(fmt.Sprintf("Unit %d answers.", unit))
				}
				return Found{Settings: set, Unit: unit, Home: home, Readable: readable}, nil
			}
			noise[speak(set)] = true
		case collector.KindOf(err) == collector.Port:
			return Found{}, err
		case collector.KindOf(err) == collector.Foreign && strings.Contains(err.Error(), "master"):
			return Found{}, fmt.Errorf("cannot look for devices while somebody else does: %w", err)
		case !isSilence(err):
			noise[speak(set)] = true
		}
	}
	return Found{}, nil
}

// steady tells whether a unit that answered once does so again, and again.
func (s *Survey) steady(ctx context.Context, line Bus, unit byte, home Address) bool {
	for range 2 {
		if _, err := s.answers(ctx, line, unit, home); err != nil {
			return false
		}
	}
	return true
}

// answersAny asks for one register after another until something comes that is no silence.
func (s *Survey) answersAny(ctx context.Context, line Bus, unit byte, homes []Address, seen *progress) (home Address, readable bool, err error) {
	for _, home = range homes {
		if readable, err = s.answers(ctx, line, unit, home); err == nil || !isSilence(err) || ctx.Err() != nil {
			return home, readable, err
		}
		seen.step()
	}
	return home, false, err
}

// answers gives no error when a unit answers at all, be it with a refusal; readable is false then.
func (s *Survey) answers(ctx context.Context, line Bus, unit byte, home Address) (readable bool, err error) {
	if err := s.Wait(ctx, apart); err != nil {
		return false, err
	}
	_, err = line.Ask(ctx, modbus.Ask{Unit: unit, Table: home.Table, Address: uint16(home.Number), Count: 1})
	switch {
	case collector.KindOf(err) != collector.Exception:
		return err == nil, err
	case strings.Contains(err.Error(), "gateway"): // it speaks for itself, not for the unit
		return false, collector.Errorf(collector.Timeout, "no such unit: %w", err)
	}
	return false, nil
}

// silent says that nobody answered, and what to look at.
func silent(s modbus.Settings, noise map[string]bool) string {
	out := fmt.Sprintf("cannot find a device on %s: nobody answered", s)
	if len(noise) > 0 {
		out += fmt.Sprintf(", though something was heard in %d of the settings tried (a wrong speed, or a line without bias)", len(noise))
	}
	if s.Port == "" {
		return out + "; look at the address, and at the unit number"
	}
	return out + "; try the two data wires the other way round, look for a common ground, and whether the controller is awake (some sleep at night)"
}
