package survey

import (
	"maps"
	"testing"

	"ebbwatch/collector/reading"
)

func TestParseTyped(t *testing.T) {
	t.Parallel()
	type list = map[reading.Quantity]Typed
	for text, want := range map[string]list{
		"battery 13.26 V, panel 17.9 V, load 1.4 A": {
			reading.BatteryVolts: {13.26, 0.01}, reading.PanelVolts: {17.9, 0.1}, reading.LoadAmps: {1.4, 0.1}},
		"battery 13,26 V -2,1 A": {reading.BatteryVolts: {13.26, 0.01}, reading.BatteryAmps: {-2.1, 0.1}},
		"Battery is at 11 °C and 87 %": {
			reading.BatteryCelsius: {11, 1}, reading.ControllerSoC: {0.87, 0.01}},
		"battery_volts 13.3 pv_watts 42": {reading.BatteryVolts: {13.3, 0.1}, reading.PanelWatts: {42, 1}},
		"charger 3.05A":                  {reading.ChargeAmps: {3.05, 0.01}},
		"load power 18 watts; air -3C":   {reading.LoadWatts: {18, 1}, reading.AirCelsius: {-3, 1}},
	} {
		got, err := ParseTyped(text)
		if err != nil || !maps.EqualFunc(got, want, func(a, b Typed) bool { return near(a.X, b.X) && near(a.Digit, b.Digit) }) {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
}

func TestParseTypedSaysWhatItCannotRead(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"13.26 V":              "cannot tell what 13.26 is of: say battery, panel, load, charger, air or controller first",
		"battery good":         `cannot find a number in "battery good"`,
		"battery 13.26 W":      `cannot tell which quantity "battery 13.26" with the unit "w" is`,
		"load_on 1":            `cannot tell which quantity "load_on 1" with the unit "" is`,
		"battery 13 V 13.26 V": "cannot take two numbers for battery_volts",
	} {
		if _, err := ParseTyped(text); err == nil || err.Error() != want {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}

func FuzzParseTyped(f *testing.F) {
	for _, s := range []string{"battery 13.26 V, panel 17.9 V", "battery 13,2 V", "°C%", "load −1 A"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := ParseTyped(text)
		if err == nil && len(got) == 0 {
			t.Error("neither a number nor an error")
		}
	})
}

func near(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }
