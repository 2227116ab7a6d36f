package alert

import (
	"testing"
	"time"
)

// TestChargeFaultsAreToldApart plays four hours of a situation through all built-in rules:
// each fault is told by its own rule and by no other, and what is no fault by none.
func TestChargeFaultsAreToldApart(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		facts []any
		want  string
	}{
		"a good day":                             {[]any{"pv_volts", 17.0, "pv_watts", 140, "charge_amps", 10, "battery_amps", 8, "battery_celsius", 14}, ""},
		"a very dark day":                        {[]any{"pv_volts", 15.0, "pv_watts", 7, "charge_amps", 0.5, "battery_celsius", 3, "air_celsius", 1}, ""},
		"night":                                  {[]any{"pv_clear_watts", 0, "pv_volts", 0.1, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 3, "sun_elevation_degrees", -20}, ""},
		"dawn":                                   {[]any{"pv_clear_watts", 20, "pv_volts", 2, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 3, "sun_elevation_degrees", 4}, ""},
		"full: the charger takes no more":        {[]any{"pv_volts", 20.0, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 14, "battery_full", 1, "curtailed", 1}, ""},
		"in float, and its fullness is not seen": {[]any{"pv_volts", 20.0, "pv_watts", 1, "charge_amps", 0.05, "battery_celsius", 14, "curtailed", nil, "charge_state", 3}, ""},
		"a panel that is cut off":                {[]any{"pv_volts", 0.3, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 14}, "raised panel_dark"},
		"the same in frost":                      {[]any{"pv_volts", 0.3, "pv_watts", 0, "charge_amps", 0, "battery_celsius", -4, "air_celsius", -6}, "raised panel_dark"},
		"snow":                                   {[]any{"pv_volts", 12.0, "pv_watts", 0.8, "charge_amps", 0.06, "battery_celsius", 3, "air_celsius", -2}, "raised panel_covered"},
		"held by cold":                           {[]any{"pv_volts", 20.0, "pv_watts", 0, "charge_amps", 0, "battery_celsius", -3, "air_celsius", -5}, "raised charge_held_by_cold"},
		"still held at 4 °C after a frosty night": {[]any{"pv_volts", 20.0, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 4, "battery_low_celsius_12h", -2, "air_celsius", 6}, "raised charge_held_by_cold"},
		"charging in frost":                       {[]any{"pv_volts", 17.0, "pv_watts", 120, "charge_amps", 9, "battery_amps", 7, "battery_celsius", -3}, "raised charging_below_freezing"},
		"in frost the load alone is fed":          {[]any{"pv_volts", 17.0, "pv_watts", 20, "charge_amps", 1.6, "battery_amps", 0.02, "battery_celsius", -3}, ""},
		"in frost, without a battery sensor":      {[]any{"pv_volts", 17.0, "pv_watts", 120, "charge_amps", 9, "load_amps", 1.6, "battery_celsius", -3}, "raised charging_below_freezing"},
		"a fuse is gone":                          {[]any{"pv_volts", 20.0, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 14}, "raised charge_stopped"},
		"a fuse is gone, the panel not described": {[]any{"pv_clear_watts", nil, "array_watts_peak", nil, "curtailed", nil, "pv_volts", 20.0, "pv_watts", 0, "charge_amps", 0, "battery_celsius", 14}, "raised charge_stopped"},
		"the instrument is silent":                {[]any{"battery_volts", nil, "battery_full", nil}, ""},
		"a hot box":                               {[]any{"battery_celsius", 47, "battery_amps", 5, "charge_amps", 6, "pv_volts", 17, "pv_watts", 100}, "raised over_temperature"},
		"as hot, but it rests":                    {[]any{"battery_celsius", 47, "battery_amps", 0, "charge_amps", 1, "pv_volts", 17, "pv_watts", 15, "battery_full", 1}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := newDrill(t, Builtin()...)
			for fact, x := range day(70) {
				d.facts[fact] = x
			}
			d.set(row.facts...)
			d.want(d.run(4*time.Hour), row.want)
		})
	}
}

// TestEvidenceIsNotGatheredAtNight: two hours of daylight on two short days are not two hours.
func TestEvidenceIsNotGatheredAtNight(t *testing.T) {
	t.Parallel()
	d := newDrill(t, panelDark())
	for fact, x := range day(70) {
		d.facts[fact] = x
	}
	d.set("pv_volts", 0.3)
	for range 3 {
		d.want(d.set("pv_clear_watts", 100).run(90*time.Minute), "")
		d.want(d.set("pv_clear_watts", 0).run(20*time.Hour), "")
	}
	d.want(d.set("pv_clear_watts", 100).run(3*time.Hour), "raised panel_dark")
	d.want(d.set("pv_clear_watts", 0, "pv_volts", nil).run(20*time.Hour), "") // the night ends nothing
}

// TestTwoOpinionsEndWithAFull: what the message asks for ends it, though the controller goes on
// telling another charge.
func TestTwoOpinionsEndWithAFull(t *testing.T) {
	t.Parallel()
	d := newDrill(t, find(t, Builtin(), "belief_disagrees"))
	d.set("controller_soc", 0.5, "battery_soc", 0.8, "battery_soc_low", 0.72, "battery_soc_high", 0.88, "hours_since_full", 20)
	d.want(d.run(24*time.Hour), "")
	d.set("hours_since_full", 200)
	d.want(d.run(25*time.Hour), "raised belief_disagrees")
	d.set("hours_since_full", 1, "battery_soc", 1, "battery_soc_low", 0.97, "battery_soc_high", 1)
	d.want(d.run(3*time.Hour), "cleared belief_disagrees")
	d.want(d.run(48*time.Hour), "")
}
