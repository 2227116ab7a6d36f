package replay

import (
	"strings"
	"testing"
	"time"
)

// The same two rows in the dialects that loggers, spreadsheets and databases write.
func TestDialects(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{
		"commas":            "time,battery_volts,pv_watts\n2026-01-31T09:05:00Z,13.2,40.5\n2026-01-31T10:05:00Z,13.3,\n",
		"semicolons":        "time;battery_volts;pv_watts\n2026-01-31T09:05:00Z;13,2;40,5\n2026-01-31T10:05:00Z;13,3;\n",
		"points after all":  "time;battery_volts;pv_watts\n2026-01-31T09:05:00Z;13.2;40.5\n2026-01-31T10:05:00Z;13.3;\n",
		"tabs":              "time\tbattery_volts\tpv_watts\n2026-01-31T09:05:00Z\t13,2\t40.5\n2026-01-31T10:05:00Z\t13.3\t\n",
		"a byte order mark": "\ufefftime;battery_volts;pv_watts\r\n2026-01-31 10:05:00+01:00;13,2;40,5\r\n2026-01-31 11:05:00 +01:00;13,3;\r\n",
		"a comment first":   "# of the slipway, by hand\ntime;battery_volts;pv_watts\n2026-01-31 09:05Z;13,2;40,5\n2026-01-31 10:05Z;13,3;\n",
	} {
		f, err := OpenReadings(strings.NewReader(text), "r.csv")
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		first, err := f.Next()
		if err != nil || !first.Time.Equal(time.Date(2026, 1, 31, 9, 5, 0, 0, time.UTC)) || len(first.Values) != 2 || first.Values[0].X != 13.2 || first.Values[1].X != 40.5 {
			t.Errorf("%s: %+v, %v", name, first, err)
		}
		second, err := f.Next()
		if err != nil || len(second.Values) != 1 || second.Values[0].X != 13.3 {
			t.Errorf("%s: %+v, %v", name, second, err)
		}
	}
}

// In which zone a logger ran is not guessed.
func TestATimeWithoutItsZoneIsRefused(t *testing.T) {
	t.Parallel()
	f, err := OpenReadings(strings.NewReader("time,battery_volts\n2026-01-31 09:05:00,13.2\n"), "r.csv")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Next(); err == nil || !strings.Contains(err.Error(), "r.csv:2:1") || !strings.Contains(err.Error(), "does not say its zone") {
		t.Errorf("%v", err)
	}
}
