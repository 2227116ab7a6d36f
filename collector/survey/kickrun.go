package survey

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// Samples before and after a kick, and the pauses between.
const (
	kickSamples = 8
	kickEvery   = 2 * time.Second
	kickSettle  = 10 * time.Second
)

const kickHelp = `This puts the register map to the proof: you change something known, and each quantity must
move by the right amount. Nothing is written to any device. Mind your own safety: work on the
load side, never short a battery, do not lift panel connectors under light, and leave fixed
wiring to those who may work on it. Cover a panel only where you stand safely.`

// Kick leads the owner through switching a known load and covering the panel, and reads src,
// with the map that is to be proven, around each. panelWatts is the power of the panels by their
// label, 0 when that is not known. It returns what was done so far even
// beside an error.
func (s *Survey) Kick(ctx context.Context, src collector.Source, panelWatts float64) ([]KickResult, error) {
	s.Talk.Say(kickHelp)
	var out []KickResult
	kicks, err := s.plan(panelWatts)
	if err != nil {
		return nil, err
	}
	for _, k := range kicks {
		r, skipped, err := s.kick(ctx, src, k)
		if err != nil {
			return out, err
		}
		if skipped {
			s.Talk.Say("Left out.")
			continue
		}
		out = append(out, r)
		for _, note := range r.Notes {
			s.Talk.Say("  " + note)
		}
	}
	for _, v := range Sum(out) {
		s.Talk.Say("  " + v.String())
	}
	return out, nil
}

// plan asks what can be switched.
func (s *Survey) plan(panelWatts float64) ([]Kick, error) {
	var out []Kick
	text, err := s.Talk.Ask("A load that you can switch, in watts (empty: none):")
	if err != nil {
		return nil, err
	}
	text = strings.TrimSuffix(strings.ToLower(strings.TrimSpace(text)), "w")
	if text = strings.TrimSpace(text); text != "" {
		watts, err := strconv.ParseFloat(text, 64)
		if err != nil || watts <= 0 || watts > 5000 {
			return nil, fmt.Errorf("cannot use %q: it must be watts above 0", text)
		}
		where, err := s.Talk.Ask("Does it hang at the controller's load output, or at the battery's posts? (output or battery)")
		if err != nil {
			return nil, err
		}
		place := AtOutput
		if strings.HasPrefix(strings.ToLower(strings.TrimSpace(where)), "b") {
			place = AtBattery
		}
		out = append(out, Kick{LoadOn, watts, place}, Kick{LoadOff, watts, place})
	}
	return append(out, Kick{What: PanelCovered, Watts: panelWatts}, Kick{What: PanelUncovered, Watts: panelWatts}), nil
}

func (k Kick) prompt() string {
	switch k.What {
	case LoadOn:
		return fmt.Sprintf("Switch the load of %g W on, then press Enter (skip to leave it out):", k.Watts)
	case LoadOff:
		return fmt.Sprintf("Switch the load of %g W off, then press Enter (skip to leave it out):", k.Watts)
	case PanelCovered:
		return "Cover the whole panel, then press Enter (skip to leave it out):"
	}
	return "Uncover the panel, then press Enter (skip to leave it out):"
}

// kick does one: samples, the owner's hand, a pause, samples.
func (s *Survey) kick(ctx context.Context, src collector.Source, k Kick) (r KickResult, skipped bool, err error) {
	s.Talk.Say(fmt.Sprintf("Measuring for %.0f s …", (kickSamples * kickEvery).Seconds()))
	before, err := s.samples(ctx, src)
	if err != nil {
		return r, false, err
	}
	answer, err := s.Talk.Ask(k.prompt())
	if err != nil {
		return r, false, err
	}
	if strings.HasPrefix(strings.ToLower(strings.TrimSpace(answer)), "s") {
		return r, true, nil
	}
	if err := s.Wait(ctx, kickSettle); err != nil {
		return r, false, fmt.Errorf("stopped: %w", err)
	}
	s.Talk.Say(fmt.Sprintf("Measuring again for %.0f s …", (kickSamples * kickEvery).Seconds()))
	after, err := s.samples(ctx, src)
	return Judge(k, before, after), false, err
}

// samples reads a few times. A reading that fails in part still counts; nothing at all is an
// error.
func (s *Survey) samples(ctx context.Context, src collector.Source) ([]Sample, error) {
	var out []Sample
	var last error
	for range kickSamples {
		values, err := src.Read(ctx)
		if ctx.Err() != nil {
			return nil, fmt.Errorf("stopped: %w", context.Cause(ctx))
		}
		last = err
		sample := Sample{}
		for _, v := range values {
			if v.Quantity < reading.NumSite && v.Of == "" {
				sample[v.Quantity] = v.X
			}
		}
		if len(sample) > 0 {
			out = append(out, sample)
		}
		if err := s.Wait(ctx, kickEvery); err != nil {
			return nil, fmt.Errorf("stopped: %w", err)
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("cannot read any quantity of the map: %w", last)
	}
	return out, nil
}
