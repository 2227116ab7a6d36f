package battery

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// situation is an everyday trouble of a node, and what the belief must keep under it.
type situation struct {
	name        string
	cold        bool
	is          func(n *judgeNode)
	rms         float64
	least, most float64 // share of hours that the 90 % band holds
}

// outside is how far from the truth the charge may at most be believed while the band does not say
// so. The aim is 0.30 everywhere; until a capacity far from its label was felt, and where nothing
// is counted, it is not reached.
func (s situation) outside() float64 {
	switch {
	case strings.HasSuffix(s.name, "only"):
		return 0.80
	case strings.HasPrefix(s.name, "holds"):
		return 0.50
	}
	return 0.40
}

func quantities(of ...reading.Quantity) map[reading.Quantity]bool {
	m := map[reading.Quantity]bool{}
	for _, q := range of {
		m[q] = true
	}
	return m
}

func situations() []situation {
	const volts = reading.BatteryVolts
	return []situation{
		{"healthy", false, func(n *judgeNode) {}, 0.03, 0.85, 1},
		{"charge refused in the cold", true, func(n *judgeNode) { n.box, n.pack.chargeFrom = 0, n.pack.chargeFrom+40 }, 0.03, 0.80, 0.97},
		{"floats for ever at 13.5 V", false, func(n *judgeNode) { n.policy, n.float = forEver, 13.5 }, 0.03, 0.80, 0.97},
		{"never above 13.6 V", false, func(n *judgeNode) { n.policy, n.absorb = lowSetting, 13.6 }, 0.05, 0.80, 0.97},
		{"absorbs two hours by time", false, func(n *judgeNode) { n.policy, n.hours = byTime, 2 }, 0.03, 0.80, 0.97},
		{"PWM", false, func(n *judgeNode) { n.pwm, n.absorb = true, 14.1 }, 0.03, 0.80, 0.97},
		{"stops at 97 %", false, func(n *judgeNode) { n.pack.cells[1].amp -= 0.03 * n.pack.cells[1].ah; n.pack.bleed = 0 }, 0.04, 0.80, 0.97},
		{"steps of 0.1 A and 0.1 V", false, func(n *judgeNode) { n.sense.ampStep, n.sense.voltStep = 0.1, 0.1 }, 0.03, 0.80, 0.97},
		{"voltmeter 1 % high", false, func(n *judgeNode) { n.sense.voltGain = 1.01 }, 0.03, 0.80, 0.97},
		{"voltmeter 1 % low", false, func(n *judgeNode) { n.sense.voltGain = 0.99 }, 0.03, 0.80, 0.97},
		{"holds half its label", false, func(n *judgeNode) { n.resize(0.5) }, 0.04, 0.80, 0.97},
		{"holds twice its label", false, func(n *judgeNode) { n.resize(2) }, 0.04, 0.80, 0.97},
		{"every 30 minutes", false, func(n *judgeNode) { n.sense.every = 30 }, 0.03, 0.80, 0.97},
		{"every 60 minutes", false, func(n *judgeNode) { n.sense.every = 60 }, 0.05, 0.80, 0.97},
		{"voltage only", false, func(n *judgeNode) { n.sense.only = quantities(volts) }, 0.09, 0.80, 0.97},
		{"watts only", false, func(n *judgeNode) { n.sense.kind, n.sense.only = 2, quantities(reading.PanelWatts, reading.LoadWatts) }, 0.24, 0.80, 0.97},
	}
}

// resize makes the pack hold so many times its label, and the node need as much.
func (n *judgeNode) resize(times float64) {
	p := n.pack
	was := p.cells[0].ah
	for k := range p.cells {
		c := &p.cells[k]
		by := times * n.label / was
		c.ah, c.amp = c.ah*by, c.amp*by
	}
	if times > 1 {
		n.watts, n.wp = n.watts*times, n.wp*times
	}
}

// judgement is what came of one situation.
type judgement struct {
	verdict
	worst, sure   float64 // largest error, and the largest outside the band
	outages, told int     // ends of the charge, and those whose belief was within its band an hour before
}

func (j *judgement) join(o judgement) {
	j.verdict.join(o.verdict)
	if math.Abs(o.worst) > math.Abs(j.worst) {
		j.worst = o.worst
	}
	if math.Abs(o.sure) > math.Abs(j.sure) {
		j.sure = o.sure
	}
	j.outages, j.told = j.outages+o.outages, j.told+o.told
}

func (j *judgement) String() string {
	return fmt.Sprintf("rms %.3f, band holds %.3f, width %.3f, worst %+.2f, outside the band %+.2f, %d of %d outages within; counter %.3f, table %.3f",
		j.all.rms(), j.cover(), quantile(j.widths, .5), j.worst, j.sure, j.told, j.outages, j.counter.rms(), j.table.rms())
}

// judged lives a year of a node in a situation.
func judged(t *testing.T, s situation, seed uint64, lives int, watch func(n *judgeNode, day int, b *Belief)) judgement {
	n := newJudgeNode(seed)
	file, lat, panel, from := judgeStart(seed, s.cold)
	n.wp *= panel
	s.is(n)
	days := simDays(t, file, from, lives)
	rng := rand.New(rand.NewPCG(seed, 99))
	m := studyModel(n.label)
	m.Battery.CutoffVolts = n.cutV
	state, counter := m.Start(), plainCounter{0.6, n.label}
	var j judgement
	var poa [1440]float64
	inside, wasOff := true, false
	for k, d := range days {
		simSky(d, lat, rng, &poa)
		for minute := range 1440 {
			n.minute(poa[minute], d.air(minute), k)
			if minute%n.sense.every == n.sense.every-1 {
				r := n.read(simStamp(days[0].date, d.date.Add(time.Duration(minute)*time.Minute)))
				state = m.Step(state, r)
				counter.step(&r, float64(n.sense.every)/60)
			}
			off := n.off || !n.pack.feed
			if off && !wasOff && k >= 14 {
				if j.outages++; inside {
					j.told++
				}
			}
			wasOff = off
			if minute%60 != 59 || k < 14 {
				continue
			}
			b, truth := m.Belief(&state), n.pack.soc(n.temp)
			j.judge(truth, n.true.volts, b, counter.x, true)
			if watch != nil {
				watch(n, k, &b)
			}
			e := b.SoC - truth
			inside = truth >= b.Low-0.005 && truth <= b.High+0.005
			if math.Abs(e) > math.Abs(j.worst) {
				j.worst = e
			}
			if !inside && math.Abs(e) > math.Abs(j.sure) {
				j.sure = e
			}
		}
	}
	return j
}

// TestJudge lives through the everyday troubles. EBBWATCH_STUDY=judge runs all of the seeds that
// the belief was made with, =judge-held those that it was not. Otherwise one node lives each.
func TestJudge(t *testing.T) {
	t.Parallel()
	first, count, lives := uint64(2001), uint64(1), 120
	switch os.Getenv("EBBWATCH_STUDY") {
	case "judge":
		first, count, lives = 2000, 12, 365
	case "judge-held":
		first, count, lives = 3000, 12, 365
	}
	if n, err := strconv.ParseUint(os.Getenv("EBBWATCH_SEEDS"), 10, 64); err == nil {
		count = n
	}
	only := os.Getenv("EBBWATCH_SITUATION")
	for _, s := range situations() {
		if ok, err := regexp.MatchString(only, s.name); err != nil || !ok {
			continue
		}
		var sum judgement
		for seed := first; seed < first+count; seed++ {
			j := judged(t, s, seed, lives, nil)
			if count > 1 && os.Getenv("EBBWATCH_VERBOSE") != "" {
				t.Logf("%s, node %d: %v", s.name, seed, &j)
			}
			sum.join(j)
		}
		t.Logf("%-28s %v", s.name, &sum)
		if math.Abs(sum.sure) > s.outside() {
			t.Errorf("%s: an error of %+.2f outside the band, want at most %.2f", s.name, sum.sure, s.outside())
		}
	}
}

// TestUnmeteredIsRaisedToStay: a load past the meters is told only when it would still be told a
// month later, and with a figure whose band holds it; on a node without one it is not told.
func TestUnmeteredIsRaisedToStay(t *testing.T) {
	t.Parallel()
	first, count, lives := uint64(2000), uint64(3), 150
	if os.Getenv("EBBWATCH_STUDY") == "judge" {
		count, lives = 12, 365
	}
	for seed := first; seed < first+count; seed++ {
		raised, back, truth := -1, -1, 0.0
		var figure, doubt float64
		judged(t, situations()[0], seed, lives, func(n *judgeNode, day int, b *Belief) {
			truth = n.hidden
			if b.UnmeteredFound && raised < 0 {
				raised, figure, doubt = day, b.UnmeteredWatts, b.UnmeteredSD
			} else if raised >= 0 && !b.UnmeteredFound && back < 0 {
				back = day
			}
		})
		t.Logf("node %d: %.2f W past the meters, told on day %d: %.2f±%.2f W, taken back on day %d", seed, truth, raised, figure, doubt, back)
		switch {
		case raised >= 0 && truth < unmeteredLeast/3:
			t.Errorf("node %d: on day %d %.1f W were told of %.1f W", seed, raised, figure, truth)
		case back >= 0 && back < raised+30:
			t.Errorf("node %d: told on day %d, taken back on day %d", seed, raised, back)
		}
	}
}
