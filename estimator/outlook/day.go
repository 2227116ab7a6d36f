package outlook

import (
	"time"

	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sky"
)

// silenceVariance is that of a day's score as told by the charge that a battery gained over
// days of silence.
const silenceVariance = 0.4

// scoreOfSilence tells what the days were like on which the node was silent because its battery was
// empty: what they gave is in the battery, for nothing else was fed. Without this only the
// days that were bright enough to be seen would teach. The day in hand is one of them unless
// it taught by itself.
func (m Model) scoreOfSilence(s *State, p *plant, mid time.Time, b battery.Belief, taught bool) (score float64, dark bool) {
	silent := mid.Sub(time.Unix(s.Last.Wall, 0))
	if m.Site.WattsPeak <= 0 || !s.Last.Empty || silent < 6*time.Hour || silent > darkMost || !(b.UsableAh > 0) {
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

// minLight is the share of a day's light that must have taught for the day to count.
const minLight = 0.12

// closeDay draws the sums of a solar day: the sky's score, the panel's factor, the trees,
// and how good the forecasts of this day were. It tells whether the day taught anything.
func (m Model) closeDay(s *State, p *plant) bool {
	if s.Place.Doubted {
		return false
	}
	if m.unlabelled {
		s.Array.take(&s.Day)
		if s.Array.fit(m, s.Warmth.air()) {
			s.Panel = startPanel()
		}
	}
	if m.Site.WattsPeak <= 0 {
		return false
	}
	seen := m.observeDay(s, p)
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
func (m Model) judgeForecasts(s *State, seen dayObservation) {
	pend := s.pending(s.Day.Date)
	if pend.Day != s.Day.Date || seen.share < 0.5 {
		return
	}
	var miss [sky.Leads]float64
	for lead, known := range pend.Known {
		if known {
			line := s.Skill.Regression(lead)
			miss[lead] = (pend.Score[lead] - line.Bias - line.Slope*seen.score) / line.SD
			s.Skill = s.Skill.Learn(lead, pend.Score[lead], seen.score, seen.share)
		}
	}
	s.Skill.Tie = s.Skill.Tie.Missed(miss, pend.Known, s.TiedDay == s.Day.Date-1)
	s.TiedDay = s.Day.Date
}

// dayObservation is what the panel saw of a day's sky.
type dayObservation struct {
	share    float64 // of the day's light that taught
	score    float64
	variance float64
	bounded  bool // the charger held back: there was at least bound
	bound    float64
	covered  bool
}

// teach takes the dayObservation into the process.
func (x dayObservation) teach(p sky.Process) sky.Process {
	if x.share >= minLight {
		p = p.See(x.score, x.variance)
	}
	if x.bounded {
		p = p.SeeAbove(x.bound)
	}
	return p
}

// observeDay reads the day in hand as a pyranometer would.
func (m Model) observeDay(s *State, p *plant) (out dayObservation) {
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
func (m Model) learnPanel(s *State, seen dayObservation) {
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
