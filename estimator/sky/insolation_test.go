package sky

import (
	"strings"
	"testing"
)

// The means that are refused, and why. The means of the stations are those of the measured
// records in the studies' data; what is made of them is what an owner does by mistake.
func TestCheckInsolation(t *testing.T) {
	t.Parallel()
	hoogeveen := []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5}
	pergamino := []float64{6.8, 5.9, 4.9, 3.6, 2.6, 2.1, 2.3, 3.1, 4.2, 5.2, 6.4, 6.8}
	kadoma := []float64{6.1, 5.9, 5.9, 5.6, 5.2, 4.8, 5.1, 5.9, 6.5, 6.7, 6.3, 5.9}
	tibet := []float64{4.4, 5.1, 5.8, 6.5, 6.9, 6.9, 6.5, 6.1, 5.9, 5.6, 4.8, 4.2} // 29.7 N, 3650 m: from maps
	times := func(by float64, months []float64) (out []float64) {
		for _, x := range months {
			out = append(out, x*by)
		}
		return out
	}
	one := append([]float64{}, hoogeveen...)
	one[3] = 40
	dull := append([]float64{}, hoogeveen...)
	dull[5] = 0.53
	for _, c := range []struct {
		name     string
		monthly  []float64
		lat, alt float64
		want     string
	}{
		{"as they are", hoogeveen, 52.75, 0, ""},
		{"southern", pergamino, -33.93, 0, ""},
		{"tropical", kadoma, -18.3, 1150, ""},
		{"high and dry", tibet, 29.7, 3650, ""},
		{"polar night", []float64{0, 0.3, 1.5, 3.4, 4.8, 5.2, 4.9, 3.4, 1.8, 0.6, 0, 0}, 69.7, 0, ""},
		{"in megajoules", times(3.6, hoogeveen), 52.75, 0, "January: 2.16 is more than 1.26 kWh/m² a day, what the cloudless sky gives at latitude 52.75; they look like MJ/m² a day: divide each by 3.6"},
		{"by the month", times(30.4, hoogeveen), 52.75, 0, "kWh/m² a month: divide each by 30.4"},
		{"as means of the power", times(1000.0/24, pergamino), -33.93, 0, "W/m², the mean over day and night"},
		{"in watt-hours", times(1000, kadoma), -18.3, 1150, "Wh/m² a day: divide each by 1000"},
		{"of the other hemisphere", hoogeveen, -52.75, 0, "they would fit latitude 52.75: is its sign right (south is negative)"},
		{"of the other hemisphere, southern", pergamino, 33.93, 0, "they would fit latitude -33.93"},
		{"a slipped point", one, 52.75, 0, "April: 40 is more than"},
		{"a slipped point the other way", dull, 52.75, 0, "June: 0.53 is less than"},
	} {
		err := CheckInsolation(c.monthly, c.lat, c.alt)
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: refused: %v", c.name, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
	if err := CheckInsolation(one, 52.75, 0); err != nil && strings.Contains(err.Error(), ";") {
		t.Errorf("one month alone is no other unit: %v", err)
	}
}
