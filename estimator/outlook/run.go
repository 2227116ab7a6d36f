package outlook

import (
	"math"
	"slices"

	"ebbwatch/estimator/battery"
)

// Action changes something about the futures. The zero value changes nothing.
type Action struct {
	Shed       [24]float64 // share of the load taken off, by hour of the local day
	ShedHours  float64     // how long the plan is kept, hours; 0 is to the end
	AddWh      float64     // a top-up
	AddAt      float64     // hours from now
	Panel      float64     // the harvest times 1 + Panel
	PanelFrom  float64     // hours from now
	Uncover    bool        // snow or dirt that covers the panel is cleared at PanelFrom
	Capacity   float64     // the capacity times 1 + Capacity; the addition comes full
	CapacityAt float64     // hours from now
}

// Outcome is what came of the futures under one action.
type Outcome struct {
	Reserve, Cutoff Window
	DarkHours       float64 // expected within the horizon
	BackHours       float64 // see [Outlook]
	BackLateHours   float64 // see [Outlook]
	Spell           Spell   // see [Outlook]
	WeekHours       float64 // expected hours of the coming 168 before the first cut-off
	Fan             []FanPoint
}

// week is the span over which an action's hours are counted.
const week = 168

const (
	never   = math.MaxFloat64
	fanBins = 200
)

// tally gathers the paths' ends.
type tally struct {
	reserve, cutoff, back [Paths]float64
	n                     int // paths that were run
	dark                  float64
	least                 float64 // lowest charge of all
	fan                   *[steps + 1][fanBins + 1]uint16
	sun                   [steps]float64 // summed over the paths, W; with a fan alone
}

// Most outlooks of a year have nothing to fear: where the lowest of half of the futures stays
// far above the reserve and the cut-off all the while, the others would say the same.
const (
	fewPaths = Paths / 2
	farAbove = 0.1
)

// plan is an action worked out for each hour.
type plan struct {
	load   [steps]float64 // expected load after shedding, W
	gain   [steps]float64 // on the harvest
	addWh  [steps]float64
	grow   [steps]float64 // capacity added, relative, full
	brings bool           // there is something in addWh or grow
	freeAt int            // hour from which a covered panel is free
}

func (f *Futures) plan(a *Action) *plan {
	p := &plan{freeAt: steps}
	for h := range steps {
		p.load[h] = f.loadW[h] * (1 - a.shedAt(float64(h), int(f.hourOf[h])))
		p.gain[h] = 1
		if a.Panel != 0 && float64(h) >= a.PanelFrom {
			p.gain[h] = 1 + a.Panel
		}
	}
	if a.Uncover {
		p.freeAt = int(a.PanelFrom)
	}
	if h := int(a.AddAt); a.AddWh > 0 && h >= 0 && h < steps {
		p.addWh[h], p.brings = a.AddWh, true
	}
	if h := int(a.CapacityAt); a.Capacity > 0 && h >= 0 && h < steps {
		p.grow[h], p.brings = a.Capacity, true
	}
	return p
}

// Run takes every future through the battery and the charger under an action. The fan is
// left out unless it is asked for.
func (f *Futures) Run(a Action, fan bool) Outcome {
	t := &tally{least: 1}
	if fan {
		t.fan = new([steps + 1][fanBins + 1]uint16)
	}
	p := f.plan(&a)
	for ; t.n < Paths && (t.n < fewPaths || t.least < max(f.battery.Reserve, f.cutSoC)+farAbove); t.n++ {
		f.runPath(t.n, p, t)
	}
	for i := t.n; i < Paths; i++ {
		t.reserve[i], t.cutoff[i], t.back[i] = never, never, never
	}
	out := Outcome{Reserve: window(t.reserve[:]), Cutoff: window(t.cutoff[:]), DarkHours: t.dark / float64(t.n)}
	out.BackHours, out.BackLateHours = returnTimes(&t.cutoff, &t.back)
	out.Spell = spell(&t.cutoff, &t.back)
	for _, at := range t.cutoff {
		out.WeekHours += min(at, week) / Paths
	}
	if fan {
		out.Fan = t.fanPoints()
	}
	return out
}

func (a *Action) shedAt(h float64, hourOfDay int) float64 {
	if a.ShedHours > 0 && h >= a.ShedHours {
		return 0
	}
	return a.Shed[hourOfDay]
}

const (
	// fullEnough is the charge above which the charger begins to hold back.
	fullEnough = 0.96
	// taper is the share of the missing charge that goes in within an hour above that.
	taper = 0.6
	// chargeRise is what charging adds to the battery's voltage at rest, V a cell.
	chargeRise = 0.075
	// darkShare of the load stays when it is cut off: the charger and the protection.
	darkShare = 0.02
)

// runPath walks one future hour by hour.
func (f *Futures) runPath(i int, p *plan, t *tally) {
	w := &f.path[i]
	soc, perAh := w.soc, 1/w.ah
	reserve, cut, backAt := f.battery.Reserve, f.cutSoC, max(f.backSoC+w.back, f.cutSoC+backLeast)
	dark, darkHours := f.dark, 0
	reserveAt, cutAt, feedAt := never, never, never
	refusing, least := w.frozen && w.inhibit, soc
	if soc <= reserve {
		reserveAt = 0
	}
	if dark {
		cutAt = 0
	}
	for h := range steps {
		load := p.load[h] * w.busy[f.dayOf[h]]
		if dark {
			load *= darkShare
			darkHours++
		}
		if p.brings && (p.addWh[h] > 0 || p.grow[h] > 0) {
			soc, perAh = p.bring(f, soc, perAh, h)
		}
		was := soc
		sun := f.sunAt(w, h, p)
		if f.freezing {
			celsius := w.celsius[f.dayOf[h]] + f.diurnal[h]
			refusing = w.inhibit && (celsius < freezes || refusing && celsius < w.release)
		}
		soc = f.move(soc, perAh*w.shrunk[f.dayOf[h]], sun-load-w.drift, refusing && f.freezing)
		least = min(least, soc)
		if soc <= reserve && reserveAt == never {
			reserveAt = float64(h) + share(was, soc, reserve)
		}
		switch {
		case !dark && soc <= cut:
			dark = true
			if cutAt == never {
				cutAt = float64(h) + share(was, soc, cut)
			}
		case dark && soc >= backAt:
			dark = false
			if feedAt == never {
				feedAt = float64(h + 1)
			}
		}
		if t.fan != nil {
			t.fan[h+1][int(soc*fanBins)]++
			t.sun[h] += sun
		}
	}
	t.reserve[i], t.cutoff[i], t.back[i] = reserveAt, cutAt, feedAt
	t.dark += float64(darkHours)
	t.least = min(t.least, least)
}

// share is when within the hour a falling charge passed a mark.
func share(was, is, mark float64) float64 {
	if was <= mark || was <= is {
		return 0
	}
	return (was - mark) / (was - is)
}

// sunAt is the panel's power in an hour of a future, W at the battery.
func (f *Futures) sunAt(w *path, h int, p *plan) float64 {
	d := f.dayOf[h]
	if d < w.open && h < p.freeAt {
		return 0
	}
	l, gain := &f.light[h], w.panel*p.gain[h]
	x := w.level[d]
	if x < 0 {
		return l[0] * (1 + x) * gain
	}
	k := min(int(x), numLevels-2)
	return (l[k] + (x-float64(k))*(l[k+1]-l[k])) * gain
}

// move is the charge after an hour with so much power to spare. perAh is one over the
// capacity; a protection that is refusing lets no charge in.
func (f *Futures) move(soc, perAh, net float64, refusing bool) float64 {
	bin := int(soc * voltBins)
	if net <= 0 {
		return max(0, soc+net*f.perVolt[bin]*perAh)
	}
	if refusing {
		return soc
	}
	up := net * f.perVoltUp[bin] * perAh
	if soc+up > fullEnough {
		up = min(up, max((1-soc)*taper, fullEnough-soc+(1-fullEnough)*taper), 1-soc)
	}
	return soc + up
}

// bring puts in what the action brings at an hour.
func (p *plan) bring(f *Futures, soc, perAh float64, h int) (float64, float64) {
	soc = min(1, soc+p.addWh[h]*f.perVolt[voltBins/2]*perAh)
	if more := p.grow[h]; more > 0 {
		soc = (soc + more) / (1 + more)
		perAh /= 1 + more
	}
	return soc, perAh
}

// noSun is how long the expected charge would feed the expected load without any light,
// hours; NaN beyond the horizon.
func (f *Futures) noSun(b battery.Belief) float64 {
	if f.dark {
		return 0
	}
	soc, cut := max(0, min(1, b.SoC)), f.cutSoC
	perAh := 0.0
	for i := range f.path {
		perAh += 1 / f.path[i].ah / Paths
	}
	for h := range steps {
		was := soc
		soc = max(0, soc-f.loadW[h]*f.perVolt[int(soc*voltBins)]*perAh)
		if soc <= cut {
			return float64(h) + share(was, soc, cut)
		}
	}
	return math.NaN()
}

// window reads the quantiles and chances off the paths' times.
func window(times []float64) Window {
	sorted := slices.Clone(times)
	slices.Sort(sorted)
	at := func(p float64) float64 {
		x := sorted[min(len(sorted)-1, int(math.Ceil(p*float64(len(sorted))))-1)]
		if x == never {
			return math.NaN()
		}
		return x
	}
	w := Window{P10: at(0.1), P50: at(0.5), P90: at(0.9)}
	for i, within := range Withins() {
		w.Within[i] = shareBy(sorted, float64(within))
	}
	return w
}

// shareBy is the share of sorted times that are not later than some hours.
func shareBy(sorted []float64, hours float64) float64 {
	n, _ := slices.BinarySearch(sorted, math.Nextafter(hours, never))
	return float64(n) / float64(len(sorted))
}

// fanPoints reads the spread of the charge off the counts.
func (t *tally) fanPoints() []FanPoint {
	out := make([]FanPoint, 0, steps)
	cutoff, reserve := slices.Sorted(slices.Values(t.cutoff[:])), slices.Sorted(slices.Values(t.reserve[:]))
	for h := 1; h <= steps; h++ {
		p := FanPoint{Hours: float64(h), SunWatts: t.sun[h-1] / float64(t.n), Cutoff: shareBy(cutoff, float64(h)), Reserve: shareBy(reserve, float64(h))}
		next, count := 0, 0
		marks := [...]struct {
			p  float64
			to *float64
		}{{0.1, &p.P10}, {0.25, &p.P25}, {0.5, &p.P50}, {0.75, &p.P75}, {0.9, &p.P90}}
		for bin := 0; bin <= fanBins && next < len(marks); bin++ {
			count += int(t.fan[h][bin])
			for ; next < len(marks) && count > int(marks[next].p*float64(t.n)); next++ {
				*marks[next].to = (float64(bin) + 0.5) / fanBins
			}
		}
		out = append(out, p)
	}
	return out
}
