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

// Talk is the conversation with the owner.
type Talk interface {
	Ask(prompt string) (string, error) // an error ends the survey
	Say(line string)
}

// Bus asks a device. [modbus.Bus] is one.
type Bus interface {
	Ask(ctx context.Context, a modbus.Ask) (modbus.Reply, error)
}

// Line is a bus that was opened for the survey and must be closed.
type Line interface {
	Bus
	Close() error
}

// Open makes the line with the given settings. The usual one wraps [modbus.NewBus].
type Open func(s modbus.Settings) Line

// OpenBus opens lines as the Modbus source does.
func OpenBus(s modbus.Settings) Line {
	b := modbus.NewBus(s)
	b.Hasty()
	return b
}

// Options say what the owner knows already. The zero value knows nothing.
type Options struct {
	Settings   modbus.Settings // a port or host; a speed of 0 is looked for
	Unit       int             // 0 is looked for
	Try        []int           // addresses that are known to have a register, as on the wire or as in the manual
	AllUnits   bool            // look through all 247, not the usual few
	Thorough   bool            // sweep every address, not the usual ones
	PanelWatts float64         // of the panel, if known: how large a power can get
}

// Survey walks the owner through finding the device and its registers.
type Survey struct {
	Talk Talk
	Open Open
	Now  func() time.Time
	// Wait pauses between questions; it returns the context's error when that ends first.
	Wait func(ctx context.Context, d time.Duration) error
}

// Result is what was found, for the map file and for people.
type Result struct {
	Found    Found
	Ranges   []Range
	Looks    []Look
	Findings []Finding
	Dark     bool   // a look in the dark was taken
	Map      []byte // the register map, YAML, with the evidence in comments
}

// New is a survey on real lines in real time.
func New(talk Talk) *Survey {
	return &Survey{Talk: talk, Open: OpenBus, Now: time.Now, Wait: wait}
}

func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Run does the whole: port, speed and unit; the readable registers; two looks or more at
// what the owner sees; the map. What was found so far is in the result even beside an error.
func (s *Survey) Run(ctx context.Context, o Options) (Result, error) {
	var r Result
	if o.Settings.String() == "" {
		port, err := s.choosePort("/")
		if err != nil {
			return r, err
		}
		o.Settings.Port = port
	}
	found, err := s.Probe(ctx, o)
	if err != nil {
		return r, err
	}
	r.Found = found
	line := s.Open(found.Settings)
	defer line.Close()
	s.Talk.Say(fmt.Sprintf("Reading what unit %d has, slowly; this can take some minutes. Ctrl-C stops it.", found.Unit))
	var home *Address
	if found.Readable {
		home = &found.Home
	}
	r.Ranges, err = s.Sweep(ctx, line, found.Unit, o.Thorough, home)
	if err != nil {
		return r, err
	}
	s.Talk.Say("It has " + describe(r.Ranges) + ".")
	err = s.looks(ctx, line, o, &r)
	r.Map = MapFile(r, s.Now())
	return r, err
}

func (s *Survey) choosePort(root string) (string, error) {
	ports, err := Ports(root)
	if err != nil {
		return "", err
	}
	if len(ports) == 0 {
		return "", errors.New("cannot find a serial port: is the adapter plugged in, and may this user see it?")
	}
	for i, p := range ports {
		s.Talk.Say(fmt.Sprintf("%2d  %s", i+1, p))
	}
	text, err := s.Talk.Ask("Which one leads to the controller? (number)")
	if err != nil {
		return "", err
	}
	n := 0
	if _, err := fmt.Sscanf(strings.TrimSpace(text), "%d", &n); err != nil || n < 1 || n > len(ports) {
		return "", fmt.Errorf("cannot use %q: it must be a number from 1 to %d", text, len(ports))
	}
	return ports[n-1].Path, nil
}

const maxLooks = 6

// looks asks for what the owner sees until everything that was typed is decided, or the
// owner has enough.
func (s *Survey) looks(ctx context.Context, line Bus, o Options, r *Result) error {
	s.Talk.Say(lookHelp)
	for n := 1; n <= maxLooks; n++ {
		look, done, err := s.look(ctx, line, r.Found.Unit, r.Ranges, n)
		if err != nil {
			return err
		}
		if done {
			break
		}
		r.Looks = append(r.Looks, look)
		r.Findings = Find(r.Looks, o.PanelWatts)
		undecided := 0
		for _, f := range r.Findings {
			s.Talk.Say("  " + f.String())
			if f.Verdict != Decided {
				undecided++
			}
		}
		if n >= 2 && undecided == 0 {
			break
		}
		if n < maxLooks {
			s.Talk.Say(nextHelp)
		}
	}
	if !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Verdict == Decided }) {
		return nil
	}
	return s.darkLook(ctx, line, o, r)
}

const (
	lookHelp = `Type what the controller's display, or a meter held to the terminals, shows now, with the
digits that it shows, such as: battery 13.26 V 2.1 A, panel 17.9 V, load 1.4 A 18 W, battery 11 C
Battery current counts positive into the battery. An empty line ends it.`
	nextHelp = `Now let things change, so that what only looks alike falls away: switch the load off or on,
cover most of the panel or wait for other light, and look once while the battery charges and once
while it discharges. Wait until all that is shown has clearly changed.`
)

// look reads the registers before and after the owner types, so that what moves meanwhile is
// known.
func (s *Survey) look(ctx context.Context, line Bus, unit byte, ranges []Range, n int) (Look, bool, error) {
	if _, err := s.Talk.Ask(fmt.Sprintf("Look %d: press Enter when you stand before the display.", n)); err != nil {
		return Look{}, false, err
	}
	before, err := s.Image(ctx, line, unit, ranges)
	if err != nil {
		return Look{}, false, err
	}
	for {
		text, err := s.Talk.Ask("Shown now (empty: enough):")
		if err != nil {
			return Look{}, false, err
		}
		if strings.TrimSpace(text) == "" {
			return Look{}, true, nil
		}
		typed, err := ParseTyped(text)
		if err != nil {
			s.Talk.Say(err.Error())
			continue
		}
		look := Look{At: s.Now(), Typed: typed, Images: []Image{before}}
		for range 2 {
			after, err := s.Image(ctx, line, unit, ranges)
			if err != nil {
				return Look{}, false, err
			}
			look.Images = append(look.Images, after)
		}
		return look, false, nil
	}
}

// isSilence tells whether nobody answered, rather than somebody who refused.
func isSilence(err error) bool { return collector.KindOf(err) == collector.Timeout }
