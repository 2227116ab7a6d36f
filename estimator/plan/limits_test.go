package plan

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ebbwatch/estimator/plan/plantest"
)

// lowland is the insolation of a lowland at 52 degrees north, kWh/m² a day (rounded).
func lowland() []float64 {
	return []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5}
}

func someYear(change func(*Kit)) *Year {
	k := aKit(52.75, 6.57, lowland(), nil)
	if change != nil {
		change(k)
	}
	return k.Prepare(1)
}

// An infinite battery that starts empty gives the share of the load that the sun brings:
// the loss of load is one less the ratio of harvest to load. Source: conservation of energy;
// the entry says 0.2 for a ratio of 0.8.
func TestInfiniteBattery(t *testing.T) {
	t.Parallel()
	ratio := plantest.Published(t, "size.llp_limit")[0].In("array_to_load")
	want := plantest.Published(t, "size.llp_limit")[0].Number()
	y := someYear(nil)
	winters := y.Synthetic(1, 3)
	var sun float64
	for d := range Days {
		for h := range 24 {
			sun += float64(y.light[d*24+h].At(winters[0].Place[d]))
		}
	}
	load := sun / (24 * Days * ratio)
	// So much storage that a year hardly moves it, and the same year over and over.
	r := y.runner(Try{Battery: 300, Load: load / 10})
	var asked, got float64
	soc := (r.cut + r.back) / 2
	var day lived
	for range 60 {
		t := Tally{First: -1}
		at := walk{soc: soc, lastNight: -1}
		for d := range Days {
			r.day(&winters[0], d, &at, &day)
			r.record(d, &day, &at, &t)
		}
		soc = at.soc
		asked, got = asked+t.Demand, got+t.Served
	}
	llp := 1 - got/asked
	// What goes through the battery loses 2.7 % on its way (charge and voltage), and 2 % of
	// the load goes on in the dark: both small against the limit.
	if llp < want-0.005 || llp > want+0.03 {
		t.Errorf("loss of load %.4f with %.2f times the load in harvest, want %.2f and a little more", llp, ratio, want)
	}
}

// With more harvest than load and storage for months nothing is lost.
func TestEnoughOfBoth(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	if llp := y.LLP(y.Synthetic(20, 1), Try{Panel: 4, Battery: 60}); llp != 0 {
		t.Errorf("loss of load %.4f with everything to spare", llp)
	}
}

// Without a battery a load at night is lost.
func TestNoBattery(t *testing.T) {
	t.Parallel()
	y := someYear(func(k *Kit) { k.Battery.CapacityAh = 0.5 })
	night := 0
	for i := range y.light {
		if y.light[i][len(y.light[i])-1] == 0 {
			night++
		}
	}
	share := float64(night) / hours
	llp := y.LLP(y.Synthetic(5, 1), Try{})
	if llp < share-0.05 || llp > 1 {
		t.Errorf("loss of load %.3f with nights of %.3f", llp, share)
	}
}

// More panel or more battery never loses more; the same seed gives the same.
func TestLossOfLoadIsMonotone(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	years := y.Synthetic(4, 7)
	if a, b := y.LLP(years, Try{}), y.LLP(y.Synthetic(4, 7), Try{}); a != b {
		t.Errorf("the same seed gives %.6f and %.6f", a, b)
	}
	rapid.Check(t, func(t *rapid.T) {
		try := Try{
			Panel: rapid.Float64Range(0.4, 4).Draw(t, "panel"), Battery: rapid.Float64Range(0.3, 6).Draw(t, "battery"),
			Load: rapid.Float64Range(0.4, 2).Draw(t, "load"),
		}
		llp := y.LLP(years, try)
		more := try
		more.Panel *= 1.2
		if x := y.LLP(years, more); x > llp+0.0005 {
			t.Fatalf("%+v: %.5f, with more panel %.5f", try, llp, x)
		}
		more = try
		more.Battery *= 1.2
		// The cut-off falls into another hour of the day: less than a hundredth of the loss.
		if x := y.LLP(years, more); x > llp*1.01+0.0005 {
			t.Fatalf("%+v: %.5f, with more battery %.5f", try, llp, x)
		}
		more = try
		more.Load *= 1.2
		if x := y.LLP(years, more); x < llp-0.0005 {
			t.Fatalf("%+v: %.5f, with more load %.5f", try, llp, x)
		}
	})
}

// Source: definitions of IEC 61724-1 and IEC 61836, worked example.
func TestYieldsOfTheStandard(t *testing.T) {
	t.Parallel()
	e := plantest.Published(t, "pv.iec61724")[0]
	y := YieldsOf(e.In("Hi_kWh_m2"), e.In("EA_kWh"), e.In("Euse_kWh"), e.In("P0_kW"))
	got := []float64{y.Reference, y.Array, y.Final, y.Capture, y.System, y.Performance, y.BOS}
	for i, want := range e.List() {
		if math.Abs(got[i]-want) > 1e-4 {
			t.Errorf("yield %d is %.5f, want %.5f", i, got[i], want)
		}
	}
}

// The drawn days have the monthly sun that was given.
func TestDrawnDaysKeepTheMeans(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	years := y.Synthetic(1000, 1)
	var sum [12]float64
	for i := range years {
		for d := range Days {
			sum[y.month[d]] += float64(years[i].GHI[d])
		}
	}
	days := y.months()
	for m, want := range lowland() {
		if got := sum[m] / 1000 / days[m]; math.Abs(got/want-1) > 0.015 {
			t.Errorf("month %d has %.3f kWh/m² a day, given %.3f", m+1, got, want)
		}
	}
}

// Energy: what the year's harvest gave is what the load got, what the battery lost and what
// is left in it; nothing comes from nowhere.
func TestEnergyIsConserved(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	for i, r := range y.Run(y.Synthetic(20, 2), Try{}) {
		possible := 0.0
		for _, x := range r.Possible {
			possible += x
		}
		if r.Array > possible*1.0001 {
			t.Errorf("year %d: the charger gave %.0f Wh of %.0f", i, r.Array, possible)
		}
		// The battery begins full: its 0.9 × 80 Ah × 13 V may be used up besides.
		if r.Served > r.Array+0.9*80*13.2 {
			t.Errorf("year %d: the load got %.0f Wh of %.0f", i, r.Served, r.Array)
		}
		if r.Served < 0.90*(r.Array-0.9*80*13.2-0.02*r.Demand) {
			t.Errorf("year %d: of %.0f Wh only %.0f reached the load", i, r.Array, r.Served)
		}
	}
}

// South of the equator the year begins in January and July is the dark month.
func TestSouthernWinter(t *testing.T) {
	t.Parallel()
	k := aKit(-42, 147, nil, nil)
	k.Site.AzimuthDeg = 0
	y := k.Prepare(1)
	if got := y.Date(0).Format("2 Jan"); got != "1 Jan" {
		t.Errorf("the year begins on %s", got)
	}
	o := y.Gather(nil, nil)
	if o.Years != 0 {
		t.Errorf("no years are %d", o.Years)
	}
	years := y.Synthetic(20, 1)
	out := y.Gather(years, y.Run(years, Try{Load: 2}))
	if out.Months[6].DarkMean <= out.Months[0].DarkMean {
		t.Errorf("July has %.1f dark hours, January %.1f", out.Months[6].DarkMean, out.Months[0].DarkMean)
	}
}

// The light drawn between every fourth day is that worked out for each day.
func TestLightBetweenTheDays(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	var sum, off float64
	for _, d := range []int{1, 30, 31, 62, 91, 150, 173, 190, 233, 271, 302, 349, 362, 363} {
		start := y.hourly.DayStart(y.first + d)
		for h := range 24 {
			want := y.hourly.Light(start.Add(time.Duration(h)*time.Hour), y.first+d, y.air[d])
			for l := range want {
				w := float64(want[l]) * y.panel
				sum += w
				off += math.Abs(w - float64(y.light[d*24+h][l]))
			}
		}
	}
	if off > 0.01*sum {
		t.Errorf("the hours are off by %.2f %%", 100*off/sum)
	}
}
