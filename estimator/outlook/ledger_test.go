package outlook

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// lookAt makes an outlook with one chance for all spans.
func lookAt(at time.Time, p float64) Outlook {
	all := [5]float64{p, p, p, p, p}
	return Outlook{At: at, Raw: all, Cutoff: Window{Within: all}}
}

func TestLedgerScoresWhatCame(t *testing.T) {
	t.Parallel()
	m, s := testModel(), State{}
	s.Load.Level = 10
	from := time.Date(2024, 1, 1, 18, 0, 0, 0, time.UTC)
	for d := range 30 {
		at := from.Add(time.Duration(d) * 24 * time.Hour)
		if d == 20 { // the load went 30 h after the look of day 18, and came back
			s.Cutoff.LastAt = from.Add(19*24*time.Hour + 6*time.Hour).Unix()
		}
		s.Last.Wall = at.Unix()
		p := 0.1
		if d >= 15 && d < 20 {
			p = 0.9
		}
		s = m.Record(s, lookAt(at, p))
		s = m.Record(s, lookAt(at.Add(time.Hour), p)) // kept once a day
	}
	l := s.Ledger
	// Within 48 h: the looks of days 18 and 19 came true.
	if got := l.Scores[1]; got.Came != 2 || got.N < 26 {
		t.Errorf("within 48 h: %+v", got)
	}
	if got := l.Scores[3]; got.Came != 5 {
		t.Errorf("within 120 h: %g looks came true, want those of days 15 to 19", got.Came)
	}
	if skill := l.Scores[3].Skill(); skill < 0.7 {
		t.Errorf("within 120 h: skill %.2f", skill)
	}
	if b := l.Scores[3].Bins[9]; b.N != 5 || b.Came != 5 {
		t.Errorf("the ninth tenth: %+v", b)
	}
	if l.NLeads != 1 || math.Abs(l.Leads[0]-102) > 24 {
		t.Errorf("lead %v of %d outages, want about 102 h", l.Leads[0], l.NLeads)
	}
	if w := l.Watch[4]; w.True != 1 || w.False != 0 {
		t.Errorf("the watch at one half: %+v", w)
	}
	if _, err := json.Marshal(s); err != nil {
		t.Error(err)
	}
}

// A node that is fed by the load that is cut falls silent, and only the silence tells: of one
// that begins with an empty battery the ledger must learn that the forecast came true, and of
// one with charge left it must not. A look whose time ends in the silence waits for that.
func TestLedgerCountsASilentOutage(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		volts  float64 // when last heard
		silent time.Duration
		on     float64 // of the load output, when heard again; -1 not told; -2 not told, and the battery stands lower then; -3 not told, after a night down to 12.1 V
		want   bool
	}{
		{"empty, and dark for days", 11.8, 60 * time.Hour, -1, true},
		{"empty, and dark for days, its load output told", 11.8, 60 * time.Hour, 1, true},
		{"empty, and heard before its load came back", 11.8, 60 * time.Hour, 0, true},
		{"empty, and started again", 11.8, 10 * time.Minute, -1, false},
		{"silent with charge left", 13.1, 60 * time.Hour, -1, false},
		{"cut off above the voltage that the owner told", 12.7, 60 * time.Hour, -1, true},
		{"low, and away for an hour", 12.7, 70 * time.Minute, -1, false},
		{"low, and heard again lower", 12.7, 9 * time.Hour, -2, false},
		{"low, where the load was fed far lower before", 12.7, 60 * time.Hour, -3, false},
	} {
		m := testModel()
		began := time.Date(2024, 1, 10, 18, 0, 0, 0, time.UTC)
		hear := func(s State, at time.Time, volts float64) State {
			r := reading.Reading{Stamp: reading.Stamp{Mono: at.Sub(began), Wall: at, Trusted: true}}
			r.Set(reading.BatteryVolts, volts)
			r.Set(reading.LoadWatts, 10)
			if at.After(began.Add(11*time.Hour)) && c.on >= 0 {
				r.Set(reading.LoadOn, c.on)
			}
			return m.Step(s, r, belief(0.1))
		}
		s := m.Start()
		for i := range 120 {
			s = hear(s, began.Add(time.Duration(i)*5*time.Minute), 13.1)
		}
		s = m.Record(s, lookAt(began.Add(10*time.Hour), 0.9))
		last := began.Add(10*time.Hour + 5*time.Minute)
		if c.on == -3 {
			s = hear(s, last.Add(-time.Minute), 12.1)
		}
		s = hear(s, last, c.volts)
		for at := last.Add(time.Hour); at.Before(last.Add(c.silent)); at = at.Add(time.Hour) {
			s = m.Step(s, reading.Reading{Stamp: reading.Stamp{Mono: at.Sub(began), Wall: at, Trusted: true}}, belief(0.05))
			s = m.Record(s, lookAt(at, 0.9))
		}
		if n := s.Ledger.Scores[0].N; n != 0 {
			t.Errorf("%s: %g looks were scored in the silence", c.name, n)
		}
		for i := range 4 {
			volts := 13.0
			if c.on == -2 {
				volts = 12.6
			}
			s = hear(s, last.Add(c.silent+time.Duration(i)*5*time.Minute), volts)
		}
		s = m.Record(s, lookAt(last.Add(c.silent+20*time.Minute), 0.2))
		got := s.Ledger.Scores[4]
		if (got.Came == 1) != c.want || (s.Ledger.NLeads == 1) != c.want || (s.Cutoff.LastAt == last.Unix()) != c.want {
			t.Errorf("%s: scored %+v, %d outages, last cut-off at %d", c.name, got, s.Ledger.NLeads, s.Cutoff.LastAt)
		}
		if s.Cutoff.Dark != (c.on == 0) {
			t.Errorf("%s: heard again, the load is off: %v", c.name, s.Cutoff.Dark)
		}
	}
}

// A budget of false alarms is met by the site's own record: the threshold rises with each
// false alarm that a lower one gave.
func TestThresholdForABudget(t *testing.T) {
	t.Parallel()
	var l Ledger
	lavish, tight := l.ThresholdFor(5), l.ThresholdFor(0.5)
	if lavish >= tight {
		t.Errorf("5 a year: %g, half a one a year: %g", lavish, tight)
	}
	l.Years = 10
	if got := l.ThresholdFor(1); got >= tight {
		t.Errorf("ten years without a false alarm: threshold %g", got)
	}
	for k := range 6 {
		l.Watch[k].False = 40
	}
	if got := l.ThresholdFor(1); got < 0.7-1e-9 {
		t.Errorf("40 false alarms in ten years at up to 0.6: threshold %g", got)
	}
}

// Chances that are right are left nearly alone; chances that are twice too sure are pulled
// towards what came, after years and not after one bad winter.
func TestTuneIsSlowAndRight(t *testing.T) {
	t.Parallel()
	if (&Calibration{}).apply(0.37) != 0.37 {
		t.Error("untaught, a chance is changed")
	}
	rng := rand.New(rand.NewPCG(4, 4))
	var right, wrong Calibration
	for range 20000 {
		p := rng.Float64()
		right.learn(p, oneIf(rng.Float64() < p))
		wrong.learn(p, oneIf(rng.Float64() < logistic(0.5*logit(p)-0.5)))
	}
	for _, p := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
		if got := right.apply(p); math.Abs(got-p) > 0.04 {
			t.Errorf("right chances: %g became %.3f", p, got)
		}
		want := logistic(0.5*logit(p) - 0.5)
		if got := wrong.apply(p); math.Abs(got-want) > 0.05 {
			t.Errorf("too sure: %g became %.3f, %.3f is right", p, got, want)
		}
	}
	var one Calibration
	for range 5 { // five days before one outage that was not seen coming
		one.learn(0.05, 1)
	}
	if got := one.apply(0.05); got > 0.065 {
		t.Errorf("one missed outage turned 0.05 into %.3f", got)
	}
}

func TestReportSumsTheLedgerUp(t *testing.T) {
	t.Parallel()
	var l Ledger
	if r := l.Report(); r.Outages != 0 || !math.IsNaN(r.LeadMedian) || !math.IsNaN(r.Spans[0].Skill) {
		t.Errorf("of nothing: %+v", r)
	}
	l.Years, l.NLeads, l.Leads = 2, 3, [16]float64{90, 20, 130}
	l.Watch[4] = Watch{True: 4, False: 1}
	for range 9 {
		l.Scores[2].add(0.1, false)
	}
	l.Scores[2].add(0.9, true)
	r := l.Report()
	if r.LeadMedian != 90 || r.Alarms[4] != (AlarmReport{0.5, 2, 0.5}) {
		t.Errorf("%+v", r)
	}
	if got, want := r.Words(), "Forecasts of going dark within 3 days: none of 9 that said unlikely (one a day, 10 so far)."; got != want {
		t.Errorf("in words: %q, want %q", got, want)
	}
	for i := range 41 {
		l.Scores[2].add(0.7, i < 28)
	}
	if got, want := l.Report().Words(), "Forecasts of going dark within 3 days: of 41 at about 70 %, 28 came true; none of 9 that said unlikely (one a day, 51 so far)."; got != want {
		t.Errorf("in words: %q, want %q", got, want)
	}
	if got := (&Ledger{}).Report().Words(); got != "" {
		t.Errorf("of nothing, in words: %q", got)
	}
	if s := r.Spans[2]; s.Hours != 72 || s.Came != 0.1 || s.Stated[0] < 0.09 || s.Seen[4] != 1 || !math.IsNaN(s.Stated[2]) || math.Abs(s.Skill-(1-0.1/0.9)) > 1e-9 {
		t.Errorf("%+v", s)
	}
}
