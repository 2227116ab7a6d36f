package outlook

import (
	"math"
	"slices"
)

// Action changes something about the futures. The zero value changes nothing.
type Action struct {
	Shed       [24]float64 // share of the load taken off, by hour of the local day
	ShedFrom   float64     // hours from now until it begins
	ShedHours  float64     // how long the plan is kept, hours; 0 is to the end
	AddWh      float64     // a top-up
	AddAt      float64     // hours from now
	Panel      float64     // the harvest times 1 + Panel
	PanelFrom  float64     // hours from now
	Uncover    bool        // snow or dirt that covers the panel is cleared at PanelFrom
	Capacity   float64     // the capacity times 1 + Capacity; the addition comes full
	CapacityAt float64     // hours from now
	NoSun      bool        // no light at all
}

// Outcome is what came of the futures under one action.
type Outcome struct {
	Reserve, Cutoff Window
	DarkHours       float64
	BackHours       float64
	Fan             []FanPoint
}

const (
	never   = float32(math.MaxFloat32)
	fanBins = 200
)

// tally gathers the paths' ends.
type tally struct {
	reserve, cutoff, back [Paths]float32
	dark                  float64
	fan                   *[steps + 1][fanBins + 1]uint16
}

// Run takes every future through the battery and the charger under an action.
func (f *Futures) Run(a Action, fan bool) Outcome {
	t := &tally{}
	if fan {
		t.fan = new([steps + 1][fanBins + 1]uint16)
	}
	var shed [steps]float32
	for h := range steps {
		shed[h] = float32(1 - a.shedAt(float64(h), int(f.hourOf[h])))
	}
	for i := range f.path {
		f.runPath(i, &a, &shed, t)
	}
	out := Outcome{Reserve: window(t.reserve[:]), Cutoff: window(t.cutoff[:]), DarkHours: t.dark / Paths}
	out.BackHours = back(&t.cutoff, &t.back)
	if fan {
		out.Fan = t.fanPoints()
	}
	return out
}

func (a *Action) shedAt(h float64, hourOfDay int) float64 {
	if h < a.ShedFrom || a.ShedHours > 0 && h >= a.ShedFrom+a.ShedHours {
		return 0
	}
	return a.Shed[hourOfDay]
}

// fullEnough is the charge above which the charger begins to hold back; at full it gives
// what the load takes.
const fullEnough = 0.96

// runPath walks one future hour by hour.
func (f *Futures) runPath(i int, a *Action, shed *[steps]float32, t *tally) {
	w := &f.path[i]
	soc, ah := w.soc, w.ah
	reserve, cut, backAt := float32(f.battery.Reserve), float32(f.cutSoC), float32(f.backSoC)
	dark := f.dark
	t.reserve[i], t.cutoff[i], t.back[i] = never, never, never
	if soc <= reserve {
		t.reserve[i] = 0
	}
	if dark {
		t.cutoff[i] = 0
	}
	gain := float32(1)
	for h := range steps {
		hour := float32(h)
		if a.Panel != 0 && hour >= float32(a.PanelFrom) {
			gain = float32(1 + a.Panel)
		}
		sun := f.sunAt(w, h, a) * gain
		load := f.loadW[h] * w.busy[f.dayOf[h]] * shed[h]
		if dark {
			load *= 0.02
		}
		load += w.drift
		soc, ah = a.add(soc, ah, h, f)
		was := soc
		soc = f.move(soc, ah, sun, load, w, h)
		if t.reserve[i] == never && soc <= reserve {
			t.reserve[i] = hour + share(was, soc, reserve)
		}
		switch {
		case !dark && soc <= cut:
			dark = true
			if t.cutoff[i] == never {
				t.cutoff[i] = hour + share(was, soc, cut)
			}
		case dark && soc >= backAt:
			dark = false
			if t.back[i] == never {
				t.back[i] = hour + 1
			}
		}
		if dark {
			t.dark++
		}
		if t.fan != nil {
			t.fan[h+1][int(soc*fanBins)]++
		}
	}
}

// share is when within the hour a falling charge passed a mark.
func share(was, is, mark float32) float32 {
	if was <= mark || was <= is {
		return 0
	}
	return (was - mark) / (was - is)
}

// sunAt is the panel's power in an hour of a future, W.
func (f *Futures) sunAt(w *path, h int, a *Action) float32 {
	d := f.dayOf[h]
	if a.NoSun || d < w.open && !(a.Uncover && float64(h) >= a.PanelFrom) {
		return 0
	}
	x := w.level[d]
	l := &f.light[h]
	if x < 0 {
		return l[0] * (1 + x) * w.panel
	}
	k := min(int(x), numLevels-2)
	return (l[k] + (x-float32(k))*(l[k+1]-l[k])) * w.panel
}

// move is the charge after an hour of harvest and load.
func (f *Futures) move(soc, ah, sun, load float32, w *path, h int) float32 {
	net := sun - load
	if net > 0 {
		if f.freezing && w.inhibit && f.warm[h]+w.cold < 0 {
			return soc
		}
		volts := f.volts[int(soc*voltBins)] + 0.3
		up := net / (volts * ah) * 0.995
		if room := 1 - soc; soc+up > fullEnough {
			up = min(up, max(room*0.6, fullEnough-soc+(1-fullEnough)*0.6))
			up = min(up, room)
		}
		return soc + up
	}
	return max(0, soc+net/(f.volts[int(soc*voltBins)]*ah))
}

// add puts in what the action brings at an hour.
func (a *Action) add(soc, ah float32, h int, f *Futures) (float32, float32) {
	if a.AddWh > 0 && h == int(a.AddAt) {
		soc = min(1, soc+float32(a.AddWh)/(f.volts[voltBins/2]*ah))
	}
	if a.Capacity > 0 && h == int(a.CapacityAt) {
		more := ah * float32(a.Capacity)
		soc = (soc*ah + more) / (ah + more)
		ah += more
	}
	return soc, ah
}

// window reads the quantiles and chances off the paths' times.
func window(times []float32) Window {
	sorted := slices.Clone(times)
	slices.Sort(sorted)
	at := func(p float64) float64 {
		x := sorted[min(len(sorted)-1, int(math.Ceil(p*float64(len(sorted))))-1)]
		if x == never {
			return math.NaN()
		}
		return float64(x)
	}
	w := Window{P10: at(0.1), P50: at(0.5), P90: at(0.9)}
	for i, within := range Withins() {
		n, _ := slices.BinarySearch(sorted, math.Nextafter32(float32(within), never))
		w.Within[i] = float64(n) / float64(len(sorted))
	}
	return w
}

// back is the median hour at which the load is fed again, over the futures that lose it;
// NaN when none does, or when most of them stay dark to the end.
func back(cutoff, back *[Paths]float32) float64 {
	var times []float32
	for i := range cutoff {
		if cutoff[i] != never {
			times = append(times, back[i])
		}
	}
	if len(times) == 0 {
		return math.NaN()
	}
	slices.Sort(times)
	if x := times[len(times)/2]; x != never {
		return float64(x)
	}
	return math.NaN()
}

// fanPoints reads the spread of the charge off the counts.
func (t *tally) fanPoints() []FanPoint {
	out := make([]FanPoint, 0, steps)
	for h := 1; h <= steps; h++ {
		p := FanPoint{Hours: float64(h)}
		count := 0
		for bin, n := range t.fan[h] {
			before := count
			count += int(n)
			for _, q := range []struct {
				p  float64
				to *float64
			}{{0.1, &p.P10}, {0.5, &p.P50}, {0.9, &p.P90}} {
				if mark := int(q.p * Paths); before <= mark && count > mark {
					*q.to = (float64(bin) + 0.5) / fanBins
				}
			}
		}
		out = append(out, p)
	}
	return out
}
