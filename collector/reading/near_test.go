package reading

import (
	"strings"
	"testing"
)

func TestNotAQuantity(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"battery_vlots": `"battery_vlots" is not a quantity (did you mean "battery_volts"?)`,
		"PV_Watt":       `"PV_Watt" is not a quantity (did you mean "pv_watts"?)`,
		"volts":         `"volts" is not a quantity`,
		"peer_soc":      `"peer_soc" is not a quantity`,
		"":              `"" is not a quantity`,
	} {
		if got := NotAQuantity(name); got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}

func TestNearest(t *testing.T) {
	t.Parallel()
	names := []string{"name", "capacity_ah", "baud", "port"}
	for word, want := range map[string]string{
		"capcity_ah": "capacity_ah", "Capacity_Ah": "capacity_ah", "nmae": "name", "bauds": "baud",
		"colour": "", "x": "", "prot": "port", strings.Repeat("n", 100): "",
	} {
		if got := Nearest(word, names); got != want {
			t.Errorf("Nearest(%q) = %q, want %q", word, got, want)
		}
	}
}
