package survey

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
)

const darkHelp = `One look is still to come, in the dark: at night many devices say "not available" as a number, and
what reads a little below zero shows whether a register is signed. If it is dark at the panel, or you can
cover all of it where you stand safely, do so now; else take the look after sunset.`

// darkLook holds what was found against a look without light, if the owner can give one now.
func (s *Survey) darkLook(ctx context.Context, line Bus, o Options, r *Result) error {
	s.Talk.Say(darkHelp)
	answer, err := s.Talk.Ask("Is the panel dark now? (yes, or empty: later)")
	if err != nil || !strings.HasPrefix(strings.ToLower(strings.TrimSpace(answer)), "y") {
		return err
	}
	look := Look{At: s.Now(), Typed: map[reading.Quantity]Typed{}}
	for len(look.Images) == 0 {
		text, err := s.Talk.Ask("Shown now (leave out what the display does not show; empty: nothing):")
		if err != nil {
			return err
		}
		if strings.TrimSpace(text) != "" {
			if look.Typed, err = ParseTyped(text); err != nil {
				s.Talk.Say(err.Error())
				continue
			}
		}
		for range 3 {
			img, err := s.Image(ctx, line, r.Found.Unit, r.Ranges)
			if err != nil {
				return err
			}
			look.Images = append(look.Images, img)
		}
	}
	r.Findings, r.Dark = InTheDark(r.Findings, look, o.PanelWatts), true
	for _, f := range r.Findings {
		s.Talk.Say("  " + f.String())
	}
	return nil
}

// Dark reads src, with a finished map, while no light falls on the panel, and tells what each
// quantity says that it cannot be then. What has nothing to do with light is not seen.
func (s *Survey) Dark(ctx context.Context, src collector.Source, site plausible.Site) ([]KickVerdict, error) {
	samples, err := s.samples(ctx, src)
	if err != nil {
		return nil, err
	}
	var state plausible.State
	c := plausible.Context{Site: site, SunElevation: -90}
	why := map[reading.Quantity]string{}
	for i, sample := range samples {
		var values []reading.Value
		for q, x := range sample {
			values = append(values, reading.Value{Quantity: q, X: x})
		}
		values, state = plausible.Step(state, reading.Stamp{Mono: time.Duration(i) * kickEvery}, values, c)
		for _, v := range values {
			if v.Suspect != "" {
				why[v.Quantity] = v.Suspect
			}
		}
	}
	var out []KickVerdict
	for q := range reading.NumSite {
		m, _, n := mean(q, samples)
		v := KickVerdict{Quantity: q, Before: m, After: m, Expected: math.NaN()}
		switch {
		case n == 0:
			continue
		case why[q] != "":
			v.Proof, v.Why = Contradicted, why[q]
		case sunny(q) && math.Abs(m) > 0.5+0.02*site.WattsPeak:
			v.Proof, v.Why = Contradicted, "a panel gives nothing in the dark: is this how the device says \"not available\"? Then name its raw number in absent"
		case sunny(q):
			v.Proof, v.Why = Confirmed, fmt.Sprintf("%.3g in the dark", m)
		default:
			v.none("the dark says nothing of it")
		}
		out = append(out, v)
	}
	return out, nil
}
