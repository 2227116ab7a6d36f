package plausible

import (
	"fmt"
	"math"
	"os"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// elevation is the sun's, by Cooper's declination and the hour angle, good to a degree or
// two (Duffie & Beckman, eqs. 1.6.1a and 1.6.5); degrees, time in UTC.
func elevation(lat, lon float64, t time.Time) float64 {
	const rad = math.Pi / 180
	hour := float64(t.Unix()%86400)/3600 + lon/15
	decl := 23.45 * math.Sin(rad*360*(284+float64(t.YearDay()))/365)
	return math.Asin(math.Sin(lat*rad)*math.Sin(decl*rad)+math.Cos(lat*rad)*math.Cos(decl*rad)*math.Cos(rad*15*(hour-12))) / rad
}

// life steps a simulated node and hands each poll to see. The node's season depends on its
// seed. see may change the values: that is how faults are made.
func life(seed uint64, days int, every time.Duration, see func(site *sim.Site, at reading.Stamp, values []reading.Value, c Context)) {
	spec := sim.RandomNode(seed)
	start := time.Date(2001, time.Month(1+seed*5%12), 3, 0, 0, 0, 0, time.UTC)
	clear := make([]float64, days+1)
	for i := range clear {
		clear[i] = 0.25 + 0.5*math.Mod(float64(seed)*0.37+float64(i)*0.61, 1)
	}
	site := sim.New(spec.Under(sim.Story(spec.Latitude, spec.Longitude, start, clear, 8)))
	for range int(24 * time.Hour * time.Duration(days) / every) {
		site.Step(every)
		at := site.Stamp()
		see(site, at, site.Measured(), Context{
			Site:         Site{Cells: 4, CapacityAh: spec.Battery.LabelAh, WattsPeak: spec.Panel.WattsPeak},
			SunElevation: elevation(spec.Latitude, spec.Longitude, at.Wall),
		})
	}
}

// doubts collects what was doubted, and when first.
type doubts struct {
	first map[reading.Quantity]time.Duration
	why   map[reading.Quantity]string
	polls int
}

func newDoubts() *doubts {
	return &doubts{first: map[reading.Quantity]time.Duration{}, why: map[reading.Quantity]string{}}
}

func (d *doubts) note(at time.Duration, values []reading.Value) {
	for _, v := range values {
		if v.Suspect == "" {
			continue
		}
		d.polls++
		if _, ok := d.first[v.Quantity]; !ok {
			d.first[v.Quantity], d.why[v.Quantity] = at, v.Suspect
		}
	}
}

func (d *doubts) String() string {
	text := ""
	for q, at := range d.first {
		text += fmt.Sprintf("%v after %v: %s; ", q, at, d.why[q])
	}
	return text
}

// study is how much of a long test to run: a sample by default, all of it on request.
func study(sample, all int) int {
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		return all
	}
	return sample
}

// Honest nodes with usual meters (gain, offset, noise, coarse steps, drop-outs) must not be
// doubted at all.
func TestHonestNodesAreBelieved(t *testing.T) {
	t.Parallel()
	for _, every := range []time.Duration{10 * time.Second, time.Minute, 5 * time.Minute, 20 * time.Minute, time.Hour} {
		nodes := study(24, 400)
		if every < time.Minute {
			nodes /= 8 // as many polls
		}
		t.Run(every.String(), func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(nodes) {
				var s State
				d := newDoubts()
				life(seed, study(2, 7), every, func(_ *sim.Site, at reading.Stamp, values []reading.Value, c Context) {
					values, s = Step(s, at, values, c)
					d.note(at.Mono, values)
				})
				if d.polls > 0 {
					t.Errorf("node %d doubted: %v", seed, d)
				}
			}
		})
	}
}
