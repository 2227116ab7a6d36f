package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sky"
	"ebbwatch/estimator/sun"
)

// Step learns from one reading and the belief that came of it. While the wall clock is not
// trusted only the level of the load is learned: the sun's place would be a guess. A reading
// that holds nothing is a silence, as if the program did not run.
func (m Model) Step(s State, r reading.Reading, b battery.Belief) State {
	if r.Empty() {
		return s
	}
	dt := s.Clock.pass(r.Stamp)
	if !r.Trusted {
		s.Clock.Set = false
		m.learnUntimed(&s, &r, b, dt.Hours())
		return s
	}
	m.wake(&s, &r, b)
	if dt == 0 {
		return s
	}
	p := m.plant()
	mid := r.Wall.Add(-dt / 2)
	m.roll(&s, &p, mid, b)
	s.Warmth.learn(&r, dt.Hours(), s.Day.Date)
	v := p.view(mid, s.Warmth.air(), &s)
	local := m.local(mid)
	f := m.flowsOf(&s, &r, b, local, v.Elevation < -1)
	m.learnLoad(&s, &r, b, f, local, dt.Hours())
	if v.Top > 0 && !math.IsNaN(f.harvest) {
		m.learnLight(&s, &p, &r, b, &v, f, mid, dt.Hours())
	}
	s.Cutoff.feed(&r, dt.Hours())
	volts, _ := r.Get(reading.BatteryVolts) // 0 where it is not known
	s.Last = Last{Wall: r.Wall.Unix(), SoC: orZero(b.SoC), Volts: volts, Empty: m.empty(&r, b)}
	return s
}

// wake notes a cut-off that silenced the node: most are fed by the load that is cut, and
// nobody but the silence tells of it.
func (m Model) wake(s *State, r *reading.Reading, b battery.Belief) {
	c := &s.Cutoff
	silent := r.Wall.Sub(time.Unix(s.Last.Wall, 0))
	if silent < darkLeast || silent > darkMost || c.Dark || c.LastAt >= s.Last.Wall {
		return
	}
	early := !s.Last.Empty && silent >= earlyLeast && m.early(s, r)
	if !s.Last.Empty && !early {
		return
	}
	s.Last.Empty = true // the days of this silence were dull, see unheard
	c.note(true, s.Last.SoC, s.Last.Wall)
	switch on, told := r.Get(reading.LoadOn); {
	case told && on == 0:
	case early:
		c.note(false, b.SoC, r.Wall.Unix())
	default: // after an empty battery the charge at which it came back is a guess
		c.Dark = false
	}
}

// Many a controller cuts the load well above what its owner believes. A battery that was on
// the foot of its curve when it was last heard, and stands higher when it is heard again, has
// had its load cut: it would stand lower if it had fed it all the while. Where a load was fed
// at far lower voltages before, it was something else.
const (
	earlyLeast = 3 * time.Hour
	earlyVolts = 3.225 // a cell, under load; the plateau lies above
	earlyRise  = 0.025 // V a cell
	earlyFed   = 0.075 // V a cell
	earlySoC   = 0.35
)

func (m Model) early(s *State, r *reading.Reading) bool {
	cells := m.cells()
	now, ok := r.Get(reading.BatteryVolts)
	was := s.Last.Volts
	return ok && was > 0 && was < min(earlyVolts*cells, s.Cutoff.Fed+earlyFed*cells) && now > was+earlyRise*cells && s.Last.SoC < earlySoC
}

// feed follows the lowest voltage at which the load was fed. It is forgotten over years: the
// owner may set the controller anew.
func (c *Cutoff) feed(r *reading.Reading, hours float64) {
	v, ok := r.Get(reading.BatteryVolts)
	if on, told := r.Get(reading.LoadOn); !ok || c.Dark || told && on == 0 {
		return
	}
	if c.Fed == 0 || v < c.Fed {
		c.Fed = v
	}
	c.Fed += (v - c.Fed) * hours / (5 * 365 * 24)
}

// roll closes the day in hand when the moment belongs to a later one.
func (m Model) roll(s *State, p *plant, mid time.Time, b battery.Belief) {
	day := p.solarDay(mid)
	if day == s.Day.Date {
		return
	}
	if s.SkyDay == 0 || day < s.SkyDay {
		s.SkyDay = day
	} else {
		taught := m.closeDay(s, p)
		score, dark := m.unheard(s, p, mid, b, taught)
		for range min(day-s.SkyDay, 90) {
			if dark && !taught {
				s.Sky = s.Sky.See(score, unheardVariance)
			}
			s.Sky, taught = s.Sky.Next(), false
		}
		s.SkyDay = day
	}
	s.Sky.Season = m.season(p.noon(day))
	s.Sky.Scale = s.Width.At(s.Sky.Season)
	s.Day = Day{Date: day, ClearKt: p.clearKt(day)}
}

// unheardVariance is that of a day's score as told by the charge that a battery gained over
// days of silence.
const unheardVariance = 0.4

// A silence of a node whose battery was empty is a cut-off when it is longer than a restart
// takes; after a month it may be anything.
const (
	darkLeast = time.Hour
	darkMost  = 30 * 24 * time.Hour
)

// unheard tells what the days were like on which the node was silent because its battery was
// empty: what they gave is in the battery, for nothing else was fed. Without this only the
// days that were bright enough to be seen would teach. The day in hand is one of them unless
// it taught by itself.
func (m Model) unheard(s *State, p *plant, mid time.Time, b battery.Belief, taught bool) (score float64, dark bool) {
	silent := mid.Sub(time.Unix(s.Last.Wall, 0))
	if !s.Last.Empty || silent < 6*time.Hour || silent > darkMost || !(b.UsableAh > 0) {
		return 0, false
	}
	day, from := p.solarDay(mid), s.Day.Date
	if taught {
		from++
	}
	if from >= day {
		return 0, false
	}
	factor, _ := s.Panel.factor()
	var levels [numLevels]float64
	for d := from; d < day; d++ {
		for k, w := range p.dayTotals(d, s.Warmth.air(), s) {
			levels[k] += w
		}
	}
	volts := 3.3 * m.cells()
	gained := max(0, b.SoC-s.Last.SoC) * b.UsableAh * volts
	spread := m.climate().At(p.noon(day - 1))
	return spread.Score(clearness(&p.kts, &levels, gained/factor)), true
}

// empty tells a battery that is about to lose its load.
func (m Model) empty(r *reading.Reading, b battery.Belief) bool {
	if b.SoC < 0.05 {
		return true
	}
	v, ok := r.Get(reading.BatteryVolts)
	return ok && v < m.Battery.CutoffVolts+0.1*m.cells()
}

// season is 1 in the depth of winter and -1 at the height of summer; near the equator there
// is little of either.
func (m Model) season(t time.Time) float64 {
	return math.Cos(2*math.Pi*float64(t.YearDay()+10)/365) * max(-1, min(1, m.Site.Latitude/35))
}

// learnLoad follows the load while it is on, and notes when it goes and comes back.
func (m Model) learnLoad(s *State, r *reading.Reading, b battery.Belief, f flows, local time.Time, hours float64) {
	if math.IsNaN(f.load) {
		return
	}
	dark := m.loadIsOff(s, r, b, f.load)
	if dark != s.Cutoff.Dark {
		s.Cutoff.note(dark, b.SoC, local.Unix())
	}
	if dark || f.load <= 0 {
		return
	}
	s.Load.learn(local, f.load, hours)
}

// loadIsOff tells a load that was taken off from one that idles: told so, or next to
// nothing flows while the battery is low. Once off it stays so until it flows again.
func (m Model) loadIsOff(s *State, r *reading.Reading, b battery.Belief, watts float64) bool {
	if on, ok := r.Get(reading.LoadOn); ok {
		return on == 0
	}
	idle := watts-drain(b) < 0.15*max(s.Load.Level-drain(b), 0)
	if s.Cutoff.Dark {
		return idle
	}
	low := b.SoC < 0.25
	if v, ok := r.Get(reading.BatteryVolts); ok {
		low = low || v < m.Battery.CutoffVolts+0.25*m.cells()
	}
	return idle && low
}

func (c *Cutoff) note(dark bool, soc float64, at int64) {
	c.Dark = dark
	if dark {
		c.LastAt = at
	}
	if math.IsNaN(soc) {
		return
	}
	if dark {
		c.Count = min(c.Count+1, 10)
		c.SoC += (soc - c.SoC) / c.Count
		return
	}
	c.BackCount = min(c.BackCount+1, 10)
	c.BackSoC += (soc - c.BackSoC) / c.BackCount
}

// learnLight adds a moment of daylight to the day in hand, unless the harvest was held
// back: then it only tells what there was at least.
func (m Model) learnLight(s *State, p *plant, r *reading.Reading, b battery.Belief, v *sun.View, f flows, mid time.Time, hours float64) {
	clear, beam := p.watts(v, 1)
	bright := clear > 0.05*p.site.WattsPeak
	d := &s.Day
	refused := f.harvest < 0.02*clear || f.harvest-f.load < 0.02*clear
	held := curtailed(r, b) || bright && s.Warmth.block(r, refused, hours)
	d.Held = d.Held || held
	d.Least += f.harvest * hours
	for k, w := range p.levels(v, d.ClearKt) {
		d.Whole[k] += w * hours
		if !held {
			d.Levels[k] += w * hours
		}
	}
	if held {
		return
	}
	d.Got += f.harvest * hours
	h := &d.Hours[int(mid.Sub(p.dayStart(d.Date)).Hours())%24]
	open := *v
	open.Shade = 1
	_, all := p.watts(&open, 1)
	h.Got += f.harvest * hours
	h.Beam += beam * hours
	h.Rest += (clear - beam) * hours
	h.Open += all * hours
	h.Span += hours
	h.Cell = horizonCell(v.Elevation, v.Azimuth)
}

// curtailed tells whether the charger takes less than the panel could give.
func curtailed(r *reading.Reading, b battery.Belief) bool {
	if stage, ok := r.Get(reading.ChargeStage); ok {
		switch reading.ChargeState(stage) {
		case reading.Absorption, reading.Float, reading.Equalize, reading.Fault:
			return true
		}
	}
	return b.Curtailed || b.Full || b.SoC > 0.985
}

// minLight is the share of a day's light that must have taught for the day to count.
const minLight = 0.12

// closeDay draws the sums of a solar day: the sky's score, the panel's factor, the trees,
// and how good the forecasts of this day were. It tells whether the day taught anything.
func (m Model) closeDay(s *State, p *plant) bool {
	seen := m.seen(s, p)
	if seen.share < minLight && !seen.bounded {
		return false
	}
	if seen.covered {
		s.Covered++
		return true
	}
	s.Covered = 0
	s.Skyline.learnDay(&s.Day, s.Panel)
	m.learnPanel(s, seen)
	if seen.share > 0.5 && !seen.bounded && s.Sky.Scale > 0 {
		mean, variance := s.Sky.Score()
		miss := seen.score - mean
		s.Width = s.Width.Learn(s.Sky.Season, s.Sky.Scale*miss*miss/(variance+seen.variance))
	}
	s.Sky = seen.teach(s.Sky)
	m.judgeForecasts(s, seen)
	return true
}

// judgeForecasts learns from how the forecasts of the closed day came out.
func (m Model) judgeForecasts(s *State, seen sight) {
	pend := &s.Pending[s.Day.Date%sky.Leads]
	if pend.Day != s.Day.Date || seen.share < 0.5 {
		return
	}
	var miss [sky.Leads]float64
	for lead, known := range pend.Known {
		if known {
			line := s.Skill.Line(lead)
			miss[lead] = (pend.Score[lead] - line.Bias - line.Slope*seen.score) / line.SD
			s.Skill = s.Skill.Learn(lead, pend.Score[lead], seen.score, seen.share)
		}
	}
	s.Skill.Tie = s.Skill.Tie.Missed(miss, pend.Known, s.TiedDay == s.Day.Date-1)
	s.TiedDay = s.Day.Date
}

// sight is what the panel saw of a day's sky.
type sight struct {
	share    float64 // of the day's light that taught
	score    float64
	variance float64
	bounded  bool // the charger held back: there was at least bound
	bound    float64
	covered  bool
}

// teach takes the sight into the process.
func (x sight) teach(p sky.Process) sky.Process {
	if x.share >= minLight {
		p = p.See(x.score, x.variance)
	}
	if x.bounded {
		p = p.SeeAbove(x.bound)
	}
	return p
}

// seen reads the day in hand as a pyranometer would.
func (m Model) seen(s *State, p *plant) (out sight) {
	if s.Day.Date == 0 || s.Day.ClearKt <= 0 {
		return out
	}
	all := p.dayTotals(s.Day.Date, s.Warmth.air(), s)
	const middle = numLevels / 2
	if all[middle] <= 0 {
		return out
	}
	factor, _ := s.Panel.factor()
	spread := m.climate().At(p.noon(s.Day.Date))
	if s.Day.Held && s.Day.Whole[middle] > 0.25*all[middle] {
		out.bounded = true
		out.bound = spread.Score(clearness(&p.kts, &s.Day.Whole, s.Day.Least/factor))
	}
	out.share = min(1, s.Day.Levels[middle]/all[middle])
	if out.share < minLight {
		return out
	}
	kt := clearness(&p.kts, &s.Day.Levels, s.Day.Got/factor)
	out.covered = kt < 0.008 && out.share > 0.3
	out.score = spread.Score(kt)
	// The rest of a day is like the part that was seen, but not the same: common practice
	// for morning against afternoon is a correlation of about 0.7.
	out.variance = 0.02 + 0.5*(1-out.share)/(out.share+0.1)
	return out
}

// learnPanel weighs the panel factors by the whole day's energy and by its best hour. A day
// that was held back weighs by what it gave at least.
func (m Model) learnPanel(s *State, seen sight) {
	if seen.share < 0.25 {
		return
	}
	p := m.plant()
	climate := m.climate()
	spread := climate.At(p.noon(s.Day.Date))
	trust := min(1, 0.25/climate.SD)
	like := func(f float64) float64 {
		got := s.Day.Got / f
		kt := clearness(&p.kts, &s.Day.Levels, got)
		slope := (clearness(&p.kts, &s.Day.Levels, got*1.02) - kt) / 0.02
		return spread.Density(kt) * slope // of the energy's logarithm
	}
	s.Panel.learn(like, bestHour(&s.Day), trust)
}

// bestHour is the best hour of the day against a clear one by the label.
func bestHour(d *Day) float64 {
	best := 0.0
	top := 0.0
	for _, h := range d.Hours {
		top = max(top, h.Beam+h.Rest)
	}
	for _, h := range d.Hours {
		if clear := h.Beam + h.Rest; h.Span > 0.7 && clear > 0.4*top && clear > 0 {
			best = max(best, h.Got/clear)
		}
	}
	return best
}

// learnDay looks for clear hours on both sides of each hour; what such an hour lacks is
// what stands before the sun.
func (h *Skyline) learnDay(d *Day, panel Panel) {
	if panel.Days < 5 {
		return
	}
	factor, _ := panel.factor()
	var ratio [24]float64
	for i, x := range d.Hours {
		if clear := x.Beam + x.Rest; x.Span > 0.7 && clear > 0 {
			ratio[i] = x.Got / clear / factor
		}
	}
	for i, x := range d.Hours {
		if x.Span < 0.7 || x.Open < 0.5*x.Rest || x.Open <= 0 {
			continue
		}
		if clearAround(ratio, i) {
			h.learn(x.Cell, (x.Got/factor-x.Rest)/x.Open)
		}
	}
}

// clearAround tells whether the two nearest hours that were seen, within three, were clear.
func clearAround(ratio [24]float64, i int) bool {
	clear := 0
	for d := -3; d <= 3; d++ {
		j := i + d
		if d == 0 || j < 0 || j > 23 || ratio[j] == 0 {
			continue
		}
		if ratio[j] > 0.85 {
			clear++
		} else if d == -1 || d == 1 {
			clear--
		}
	}
	return clear >= 2
}
