package lookback

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/cmd/internal/history"
)

// Step is what the record says of five minutes. What is not known is NaN.
type Step struct {
	At   time.Time
	Span time.Duration
	// Energies in joules.
	PV, Load, BatteryIn, BatteryOut float64
	Volts, VoltsLow                 float64 // mean and least, V
	SoC, SoCLow, SoCHigh            float64 // mean charge, the least low and the mean high end of its band
	Chance24, Chance72              float64 // of a cut-off within so many hours, as stated then
	LoadWatts, UnmeteredWatts       float64
	ChargeWatts                     float64 // out of the controller
	PanelVolts                      float64
	BatteryCelsius, AirCelsius      float64
	ControllerCelsius               float64
	LoadOn                          float64 // share of the time
	Stage                           float64 // the highest charging stage, as reading.ChargeState
	PVSky                           float64 // W that the panel should have given under the forecast sky
	// The board's own clock: a number for its start, which only is or is not that of another
	// step, and its uptime at the first and the last sample, s.
	Boot, UptimeLow, UptimeHigh float64
	Peers                       map[string]PeerStep
}

// PeerStep is what the record says of the way to one peer.
type PeerStep struct {
	Up, Loss, RTTSeconds float64 // shares of the time and of the probes; mean
}

// Lookup is a history, or a client of one.
type Lookup interface {
	Lookup(ctx context.Context, q history.Query) (history.Series, error)
}

// fine is the step of a look back: five minutes, the grain at which the history keeps years.
const fine = 5 * time.Minute

// pages asks a history for a span, four days at a time so that neither the daemon nor this
// program holds much at once. take gets each page with the moment it reaches to.
func pages(ctx context.Context, h Lookup, from, to time.Time, step time.Duration, names []string, take func(page history.Series, until time.Time)) error {
	const chunk = 4 * 24 * time.Hour
	for at := from.Truncate(step); at.Before(to); at = at.Add(chunk) {
		length := min(to.Sub(at), chunk)
		n := max(1, int((length+step-1)/step))
		s, err := h.Lookup(ctx, history.Query{From: at, To: at.Add(time.Duration(n) * step), Points: n, Names: names})
		if err != nil {
			return fmt.Errorf("cannot read the record from %s: %w", at.Format(time.RFC3339), err)
		}
		take(s, at.Add(length))
	}
	return nil
}

// Load reads the steps of a span. progress may be nil; it gets the share that is done.
func Load(ctx context.Context, h Lookup, from, to time.Time, peers []string, progress func(float64)) ([]Step, error) {
	names := []string{"battery_volts", "battery_amps", "battery_celsius", "pv_volts", "pv_watts", "charge_amps", "load_watts", "load_on",
		"air_celsius", "controller_celsius", "charge_state", "battery_soc", "battery_soc_low", "battery_soc_high", "unmetered_watts",
		"cutoff_within_24h", "cutoff_within_72h", "pv_sky_watts", "board_boot", "board_uptime_seconds"}
	for _, p := range peers {
		names = append(names, "peer_up/"+p, "peer_loss_ratio/"+p, "peer_rtt_seconds/"+p)
	}
	var steps []Step
	from = from.Truncate(fine)
	err := pages(ctx, h, from, to, fine, names, func(s history.Series, until time.Time) {
		steps = append(steps, stepsOf(s)...)
		if progress != nil {
			progress(min(1, until.Sub(from).Seconds()/to.Sub(from).Seconds()))
		}
	})
	return steps, err
}

// stepsOf takes a series apart.
func stepsOf(s history.Series) []Step {
	at := func(name string, pick func(history.Column) []float64, i int) float64 {
		if c := s.Column(name); c != nil {
			return pick(*c)[i]
		}
		return math.NaN()
	}
	mean := func(name string, i int) float64 {
		return at(name, func(c history.Column) []float64 { return c.Mean }, i)
	}
	least := func(name string, i int) float64 {
		return at(name, func(c history.Column) []float64 { return c.Min }, i)
	}
	most := func(name string, i int) float64 {
		return at(name, func(c history.Column) []float64 { return c.Max }, i)
	}
	joules := func(flow string, i int) float64 {
		if js := s.Joules[flow]; len(js) > i {
			return js[i]
		}
		return math.NaN()
	}
	var steps []Step
	for i, t := range s.Times {
		x := Step{At: t, Span: s.Step,
			PV: joules("pv", i), Load: joules("load", i), BatteryIn: joules("battery_in", i), BatteryOut: joules("battery_out", i),
			Volts: mean("battery_volts", i), VoltsLow: least("battery_volts", i), SoC: mean("battery_soc", i), SoCLow: least("battery_soc_low", i),
			LoadWatts: mean("load_watts", i), UnmeteredWatts: mean("unmetered_watts", i), PanelVolts: mean("pv_volts", i),
			ChargeWatts: mean("charge_amps", i) * mean("battery_volts", i), BatteryCelsius: mean("battery_celsius", i), AirCelsius: mean("air_celsius", i), ControllerCelsius: mean("controller_celsius", i),
			SoCHigh: mean("battery_soc_high", i), Chance24: mean("cutoff_within_24h", i), Chance72: mean("cutoff_within_72h", i), PVSky: mean("pv_sky_watts", i),
			Boot: mean("board_boot", i), UptimeLow: least("board_uptime_seconds", i), UptimeHigh: most("board_uptime_seconds", i),
			LoadOn: mean("load_on", i), Stage: most("charge_state", i), Peers: map[string]PeerStep{},
		}
		if least("board_boot", i) != most("board_boot", i) {
			x.Boot = math.NaN() // it started anew within the step
		}
		for _, c := range s.Columns {
			if peer, ok := strings.CutPrefix(c.Name, "peer_up/"); ok {
				x.Peers[peer] = PeerStep{c.Mean[i], mean("peer_loss_ratio/"+peer, i), mean("peer_rtt_seconds/"+peer, i)}
			}
		}
		steps = append(steps, x)
	}
	slices.SortFunc(steps, func(a, b Step) int { return a.At.Compare(b.At) })
	return steps
}
