package facts_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/outlook"
)

// well is a day on which nothing is doubted, learned or missing.
func well() *facts.Snapshot {
	s := factstest.Rich()
	s.Outlook.Cutoff.Within = [5]float64{}
	return s
}

func silentFor(s *facts.Snapshot, d time.Duration) {
	s.Heard = d
	for i := range s.Sources[:2] {
		s.Sources[i].Up, s.Sources[i].Age, s.Sources[i].Err = false, d, "cannot read: no answer within 500 ms"
	}
	for q := range s.Reading {
		s.Reading[q] = facts.Measured{}
	}
}

func TestKnowledge(t *testing.T) {
	t.Parallel()
	doubt := func(s *facts.Snapshot, q reading.Quantity) { s.Reading[q].Suspect = "18.2 V cannot be" }
	for _, c := range []struct {
		name   string
		change func(*facts.Snapshot)
		want   facts.Knowledge
		level  facts.Level
		word   string
		why    string
	}{
		{"all well", func(*facts.Snapshot) {}, facts.Known, facts.OK, "All well", ""},
		{"never read", func(s *facts.Snapshot) { silentFor(s, -1) }, facts.NothingRead, facts.Unknown, "Not known", "no answer within 500 ms"},
		{"only what cannot be was read", func(s *facts.Snapshot) { s.Heard = -1; doubt(s, reading.BatteryVolts) },
			facts.Doubted, facts.Unknown, "Not known", "cannot be"},
		{"silent for hours", func(s *facts.Snapshot) { silentFor(s, 3*time.Hour) }, facts.Blind, facts.Warning, "Look at this", "3 h old"},
		{"a lost poll or two", func(s *facts.Snapshot) { s.Heard = 2 * time.Minute }, facts.Known, facts.OK, "All well", ""},
		{"just started after a night away", func(s *facts.Snapshot) { silentFor(s, 9*time.Hour); s.Ready = false }, facts.Blind, facts.Unknown, "Not known", "9 h old"},
		{"it answers, and tells nothing of the battery", func(s *facts.Snapshot) { s.Heard = time.Hour }, facts.Blind, facts.Warning, "Look at this", "tells nothing of the battery"},
		{"the voltage cannot be", func(s *facts.Snapshot) { doubt(s, reading.BatteryVolts) }, facts.Doubted, facts.Unknown, "Not known", "battery volts of charger: 18.2 V"},
		{"one of two instruments is silent", func(s *facts.Snapshot) {
			s.Sources = append(s.Sources, facts.Source{Name: "meter", Kind: "line", Every: 10 * time.Second, Tried: true, Silent: time.Hour,
				Lost: []reading.Quantity{reading.LoadAmps, reading.LoadWatts}})
		}, facts.PartlyBlind, facts.Unknown, "Not known", "meter has been silent for 60 min: load amps and load watts not known"},
		{"the temperature of the controller cannot be", func(s *facts.Snapshot) { doubt(s, reading.ControllerCelsius) }, facts.Known, facts.OK, "All well", ""},
		{"the first days", func(s *facts.Snapshot) {
			s.Lessons = []outlook.Lesson{{What: "what the panel gives", Left: 3, Of: "sun"}}
		},
			facts.Learning, facts.OK, "Well so far, still learning", "what the panel gives: known after about 3 more days of sun"},
		{"a charge of a wide band", func(s *facts.Snapshot) { s.Belief.Low, s.Belief.High = 0.2, 0.97 }, facts.Learning, facts.OK, "Well so far, still learning", "between 20 and 97 %: the next full charge tells it"},
		{"a charge by the voltage alone", func(s *facts.Snapshot) {
			s.Belief.Low, s.Belief.High = 0.2, 0.97
			for q := range s.Reading {
				s.Reading[q].Known = reading.Quantity(q) == reading.BatteryVolts
			}
		}, facts.Learning, facts.OK, "Well so far, still learning", "with a current sensor in the battery's lead, for some 10 euro"},
		{"a charge without a voltage", func(s *facts.Snapshot) {
			s.Belief.Low, s.Belief.High = 0.2, 0.97
			s.Reading[reading.BatteryVolts].Known = false
		}, facts.Learning, facts.OK, "Well so far, still learning", "with a voltmeter at the battery"},
		{"the battery has no probe", func(s *facts.Snapshot) { doubt(s, reading.BatteryCelsius) }, facts.Known, facts.OK, "All well", ""},
	} {
		s := well()
		c.change(s)
		h := facts.HeadlineOf(s)
		if h.Knowledge != c.want || h.Level != c.level || h.Word != c.word || !strings.Contains(strings.Join(h.Why, "; "), c.why) || (c.why == "") != (len(h.Why) == 0) {
			t.Errorf("%s: %s, %s, %q because %q; want %s, %s, %q because %q", c.name, h.Knowledge, h.Level, h.Word, h.Why, c.want, c.level, c.word, c.why)
		}
	}
}

// What was believed before the first reading is what the owner or the trade says. No fact,
// metric or field may hold it.
func TestABeliefWithoutReadingsIsNotTold(t *testing.T) {
	t.Parallel()
	s := well()
	silentFor(s, -1)
	get := facts.Lookup(s)
	for _, name := range []string{"battery_soc", "battery_usable_ampere_hours", "cutoff_hours_p10", "cutoff_within_120h", "load_dark", "unmetered_watts", "cutoff_soc", "warn_chance"} {
		if x, known := get(name); known {
			t.Errorf("%s is %v with no reading ever", name, x)
		}
	}
	st := facts.StateOf(s)
	if st.Battery.SoC != nil || st.Outlook != nil || st.Level == "ok" {
		t.Errorf("the state says %+v, %+v, %s", st.Battery, st.Outlook, st.Level)
	}
	if h := facts.HeadlineOf(s); h.Number != "" || h.Sentence != "Nothing read yet" {
		t.Errorf("the headline says %q", h)
	}
}

// A charge of which next to nothing is known is told as a range.
func TestAVagueChargeIsARange(t *testing.T) {
	t.Parallel()
	s := well()
	s.Belief.SoC, s.Belief.Low, s.Belief.High = 0.6, 0.212, 0.984
	if h := facts.HeadlineOf(s); h.Number != "21 to 99 %" || h.Band != "" || strings.HasSuffix(h.String(), " ") {
		t.Errorf("%q", h)
	}
	s.Belief.SoC = math.NaN()
	if h := facts.HeadlineOf(s); h.Number != "" {
		t.Errorf("a charge that is no number: %q", h)
	}
}
