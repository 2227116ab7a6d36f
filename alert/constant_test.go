package alert

import (
	"math"
	"testing"
)

// TestConstantConditionsAreFound: what no reading can change, and the built-in rules, of which each
// depends on readings.
func TestConstantConditionsAreFound(t *testing.T) {
	t.Parallel()
	ranges := func(fact string) (float64, float64) {
		switch fact {
		case "battery_soc":
			return -2, 2
		case "cutoff_hours_p50":
			return 0, math.Inf(1)
		}
		return math.Inf(-1), math.Inf(1)
	}
	for src, want := range map[string]Truth{
		"battery_soc < 30":                                      True, // meant: 30%
		"battery_soc > 30":                                      False,
		"battery_soc < 30%":                                     Unknown,
		"cutoff_hours_p50 >= 0":                                 True,
		"cutoff_hours_p50 < -3":                                 False,
		"battery_volts > 14 and battery_volts < 12":             False,
		"battery_volts < 14 or battery_volts > 12":              True,
		"battery_volts > 14 or battery_volts < 12":              Unknown,
		"known(air_celsius)":                                    Unknown,
		"known(air_celsius) or not known(air_celsius)":          True,
		"change(battery_soc, 1h) < -3":                          Unknown,
		"change(battery_soc, 1h) < -30":                         False,
		"pv_watts - load_watts > 5":                             Unknown,
		"abs(battery_celsius - air_celsius) > 20":               Unknown,
		"pv_watts == pv_watts":                                  True,
		"pv_watts / load_watts > 0.5":                           Unknown,
		"2 > 1":                                                 True,
		"peer_up/gate == 1 and not (peer_up/gate == 1)":         False,
		"max(battery_celsius, 1h) < min(battery_celsius, 1h)-1": Unknown, // cannot be, and nobody can tell by trying
	} {
		if got := MustExpr(src).Always(ranges); got != want {
			t.Errorf("%s: %v, want %v", src, got, want)
		}
	}
	for _, r := range Builtin() {
		for _, g := range r.Rungs {
			if got := g.When.Always(ranges); got != Unknown {
				t.Errorf("the built-in rule %s: %s is %v", r.Name, g.When, got)
			}
		}
	}
}
