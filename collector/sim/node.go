package sim

import (
	"bufio"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// RandomNode is a node drawn at random from the kinds that people build: battery of 40 to
// 200 Ah by its label and 75 to 105 % of that in truth, panel to match more or less, PWM or
// MPPT, meters with a gain error up to 2 % and an offset up to 60 mA, up to 3 W past the
// meters, drop-outs. The same seed gives the same node. The caller chooses its place, start
// and sky: see [Spec.Under].
func RandomNode(seed uint64) Spec {
	rng := rand.New(rand.NewPCG(seed, 0xeb0))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	load := between(3, 14)
	label := math.Round(min(max(load*between(5, 14), 40), 200)/10) * 10
	spec := Spec{
		Name: fmt.Sprintf("node%d", seed), Latitude: 52.75, Longitude: 6.574, Seed: seed,
		Start: time.Date(2000, 9, 1, 0, 0, 0, 0, time.UTC),
		Panel: Panel{
			WattsPeak: math.Round(load*between(14, 36)/10) * 10, TiltDeg: between(30, 75),
			AzimuthDeg: between(150, 210), Loss: between(0, 0.15), HorizonDeg: between(0, 8),
		},
		Charger: Charger{
			MPPT: rng.IntN(2) == 0, AbsorbVolts: between(14.0, 14.5), FloatVolts: between(13.4, 13.6),
			AbsorbFor: time.Duration(between(30, 150)) * time.Minute, CutoffVolts: between(11.3, 12),
			ReconnectVolts: between(12.6, 13.1), ColdInhibit: rng.IntN(2) == 0,
		},
		Battery: Battery{
			LabelAh: label, CapacityAh: label * between(0.75, 1.05), StartSoC: between(0.5, 0.95),
			Efficiency: between(0.993, 0.999), SelfDischarge: between(0.01, 0.03),
			Branch: between(0.008, 0.018), ColdLoss: between(0.004, 0.009),
			Cold: Cold(rng.IntN(2)), HeatLag: time.Duration(between(2, 8) * float64(time.Hour)),
			SunHeat: between(1, 7),
		},
		Load: Load{
			DayWatts: load * between(1, 1.25), NightWatts: load * between(0.75, 1),
			Flutter: between(0.02, 0.15), UnmeteredWatts: between(0, 3),
		},
		Sensors: randomSensors(rng, between),
	}
	spec.Battery.MilliOhms = (4*100/spec.Battery.CapacityAh + 4) * between(0.7, 1.8)
	switch rng.IntN(4) {
	case 0:
		spec.Load.UnmeteredWatts = 0
	case 1:
		spec.Load.UnmeteredFrom, spec.Load.UnmeteredUntil = between(17, 20), between(5, 8)
	}
	return spec
}

// randomSensors draws the meters. Some nodes have a shunt at the battery and some know only
// what the controller charges and feeds; few know the battery's temperature.
func randomSensors(rng *rand.Rand, between func(lo, hi float64) float64) Sensors {
	errs := UsualErrors()
	current := func(qs ...reading.Quantity) {
		gain, offset := between(-0.02, 0.02), between(-0.06, 0.06)
		for _, q := range qs {
			e := errs[q]
			e.Gain, e.Offset, e.Step = gain, offset, []float64{0.01, 0.02, 0.1}[rng.IntN(3)]
			errs[q] = e
		}
	}
	current(reading.BatteryAmps)
	current(reading.ChargeAmps)
	current(reading.LoadAmps)
	e := errs[reading.BatteryVolts]
	e.Gain, e.Step = between(-0.003, 0.003), []float64{0.01, 0.01, 0.05, 0.1}[rng.IntN(4)]
	errs[reading.BatteryVolts], errs[reading.LoadVolts] = e, e
	s := Sensors{Errors: errs, DropsPerDay: between(0, 1.5), DropMean: time.Duration(between(10, 120)) * time.Minute}
	s.Quantities = []reading.Quantity{reading.BatteryVolts, reading.PanelVolts, reading.LoadOn}
	switch rng.IntN(3) {
	case 0:
		s.Quantities = append(s.Quantities, reading.BatteryAmps)
	case 1:
		s.Quantities = append(s.Quantities, reading.ChargeAmps, reading.LoadAmps)
	default:
		s.Quantities = append(s.Quantities, reading.BatteryAmps, reading.ChargeAmps, reading.LoadAmps, reading.PanelWatts, reading.LoadWatts)
	}
	for _, q := range []reading.Quantity{reading.BatteryCelsius, reading.AirCelsius, reading.ChargeStage, reading.ControllerSoC} {
		if rng.IntN(2) == 0 {
			s.Quantities = append(s.Quantities, q)
		}
	}
	return s
}

// Under is the same node at the start of the given days, under the sky they make.
func (spec Spec) Under(days []Day) Spec {
	spec.Sensors.Errors = maps.Clone(spec.Sensors.Errors)
	if len(days) > 0 {
		spec.Start = days[0].Date
	}
	spec.Sky = NewWeather(spec.Latitude, spec.Longitude, days, spec.Seed)
	return spec
}

// ReadDays reads daily weather from CSV with a header that names at least date and
// ghi_kwh_m2, and may name t_mean_c, t_min_c and t_max_c. Empty temperatures are unknown;
// days without irradiation are left out.
func ReadDays(r io.Reader) ([]Day, error) {
	lines := bufio.NewScanner(r)
	lines.Scan()
	column := map[string]int{}
	for i, name := range strings.Split(strings.TrimSpace(lines.Text()), ",") {
		column[name] = i
	}
	for _, name := range []string{"date", "ghi_kwh_m2"} {
		if _, ok := column[name]; !ok {
			return nil, fmt.Errorf("cannot read the days: the header has no column %s", name)
		}
	}
	var days []Day
	for n := 2; lines.Scan(); n++ {
		d, err := parseDay(strings.Split(strings.TrimSpace(lines.Text()), ","), column)
		if err != nil {
			return nil, fmt.Errorf("cannot read the days: line %d: %w", n, err)
		}
		if !math.IsNaN(d.GHI) {
			days = append(days, d)
		}
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("cannot read the days: %w", err)
	}
	return days, nil
}

func parseDay(cells []string, column map[string]int) (Day, error) {
	var d Day
	var failed error
	number := func(name string) float64 {
		i, ok := column[name]
		if !ok || i >= len(cells) || cells[i] == "" {
			return math.NaN()
		}
		x, err := strconv.ParseFloat(cells[i], 64)
		if err != nil {
			failed = fmt.Errorf("%s: %q is not a number", name, cells[i])
		}
		return x
	}
	if i := column["date"]; i < len(cells) {
		t, err := time.Parse(time.DateOnly, cells[i])
		if err != nil {
			return d, fmt.Errorf("date: %q is not a day", cells[i])
		}
		d.Date = t
	}
	d.GHI, d.MeanC = number("ghi_kwh_m2"), number("t_mean_c")
	d.MinC, d.MaxC = number("t_min_c"), number("t_max_c")
	return d, failed
}
