package lookback

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/replay"
	"ebbwatch/estimator/outlook"
)

// Tested is what today's settings would have been worth on recorded readings.
type Tested struct {
	From, To time.Time
	Told     bool      // the readings tell whether the load was on
	Outages  []Outage  // of the load, as the readings show them
	Unknown  []Spell   // nothing was read, and whether it was dark is not known
	Alarms   []Episode // of the dark ahead, from raise to clear
	Scores   []Score   // of the chances, one look a day
}

// Outage is a time in which the load was off.
type Outage struct {
	Begin, End time.Time
	Lead       time.Duration // from the raise of the alarm that was active; negative: not warned
}

// Episode is one alarm of the dark ahead, as it was sent to the owner.
type Episode struct {
	Raised, Cleared time.Time // Cleared is zero when it still stood at the end
	True            bool      // an outage began while it stood, or within five days of the raise
}

// Score tells how good the stated chances of one span were.
type Score struct {
	Within  int     // hours
	Looks   int     // whose outcome is known
	Open    int     // whose outcome is not known: nothing was read in their time
	Came    int     // after how many an outage came
	Brier   float64 // mean square of chance less outcome
	Skill   float64 // against always saying the mean of the month; NaN when that is never wrong
	Fifths  [5]Bin  // by stated chance
	looks   []look
	outcome []bool
}

// Bin holds the looks whose stated chance lies in one fifth.
type Bin struct {
	Looks        int
	Stated, Came float64 // means
}

type look struct {
	at     time.Time
	chance float64
}

// truthful is how long after its raise an alarm may still come true.
const truthful = 120 * time.Hour

// Backtest replays the readings and judges what was said by what came.
func Backtest(j replay.Job, readings []byte) (Tested, error) {
	var estimates, notices bytes.Buffer
	j.Readings, j.Estimates, j.Notices = bytes.NewReader(readings), &estimates, &notices
	if _, err := j.Run(); err != nil {
		return Tested{}, err
	}
	v, err := outages(readings, j.Name, Options{Site: j.Plan.Array, Battery: j.Plan.Battery, Zone: j.Plan.Zone})
	if err != nil {
		return v, err
	}
	if v.Alarms, err = episodes(&notices); err != nil {
		return v, err
	}
	if !v.Told {
		return v, nil // nothing came that could be held against what was said
	}
	v.match()
	v.Scores, err = v.score(&estimates)
	return v, err
}

// outages finds when the load was off, in the way of every look back.
func outages(readings []byte, name string, o Options) (v Tested, err error) {
	steps, err := StepsOfReadings(readings, name)
	if err != nil || len(steps) == 0 {
		return v, err
	}
	last := steps[len(steps)-1]
	v.From, v.To = steps[0].At, last.At.Add(last.Span)
	o.Now = v.To
	for _, s := range steps {
		v.Told = v.Told || !math.IsNaN(s.LoadOn) || !math.IsNaN(s.LoadWatts)
	}
	dark, unknown := darkSpells(Silences(steps, v.From, o), v.To)
	for _, d := range dark {
		v.Outages = append(v.Outages, Outage{Begin: d.From, End: d.To, Lead: -1})
	}
	v.Unknown = unknown
	return v, nil
}

// episodes are the alarms of the dark ahead that were sent.
func episodes(notices io.Reader) (out []Episode, err error) {
	dec := json.NewDecoder(notices)
	for {
		var n alert.Notice
		if err := dec.Decode(&n); errors.Is(err, io.EOF) {
			return out, nil
		} else if err != nil {
			return out, fmt.Errorf("cannot read the notices: %w", err)
		}
		switch {
		case n.Rule != "cutoff_ahead":
		case n.Phase == alert.Raised:
			out = append(out, Episode{Raised: n.At})
		case n.Phase == alert.Cleared && len(out) > 0:
			out[len(out)-1].Cleared = n.At
		}
	}
}

// match finds for each outage the alarm that stood, and for each alarm whether it came true.
func (v *Tested) match() {
	for i := range v.Outages {
		o := &v.Outages[i]
		for k := range v.Alarms {
			a := &v.Alarms[k]
			stood := !a.Raised.After(o.Begin) && (a.Cleared.IsZero() || a.Cleared.After(o.Begin))
			if stood {
				o.Lead = o.Begin.Sub(a.Raised)
			}
			if stood || !a.Raised.After(o.Begin) && o.Begin.Sub(a.Raised) <= truthful {
				a.True = true
			}
		}
	}
}

// score takes one look a day, at 18 h universal time, while the load is on.
func (v *Tested) score(estimates io.Reader) ([]Score, error) {
	rows, err := csv.NewReader(estimates).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("cannot read the estimates: %w", err)
	}
	withins := outlook.Withins()
	scores := make([]Score, len(withins))
	for i, within := range withins {
		s := &scores[i]
		s.Within = within
		for _, row := range rows[1:] {
			at, err := time.Parse(time.RFC3339, row[0])
			chance, errChance := strconv.ParseFloat(row[7+i], 64)
			if err != nil || errChance != nil || at.Hour() != 18 || at.Minute() != 0 || v.dark(at) {
				continue
			}
			until := at.Add(time.Duration(within) * time.Hour)
			switch came := v.cameWithin(at, until); {
			case until.After(v.To):
			case !came && v.unknown(at, until):
				s.Open++
			default:
				s.looks, s.outcome = append(s.looks, look{at, chance}), append(s.outcome, came)
			}
		}
		s.judge()
	}
	return scores, nil
}

func (v *Tested) dark(at time.Time) bool {
	return slices.ContainsFunc(v.Outages, func(o Outage) bool { return !at.Before(o.Begin) && at.Before(o.End) })
}

// unknown tells whether a span meets one in which nothing was read.
func (v *Tested) unknown(from, to time.Time) bool {
	return slices.ContainsFunc(v.Unknown, func(s Spell) bool { return s.From.Before(to) && s.To.After(from) })
}

func (v *Tested) cameWithin(from, to time.Time) bool {
	return slices.ContainsFunc(v.Outages, func(o Outage) bool { return o.Begin.After(from) && !o.Begin.After(to) })
}

func (s *Score) judge() {
	var month [13]struct{ n, came float64 }
	for i, l := range s.looks {
		m := &month[l.at.Month()]
		m.n++
		m.came += one(s.outcome[i])
	}
	var base float64
	for i, l := range s.looks {
		y := one(s.outcome[i])
		s.Brier += (l.chance - y) * (l.chance - y)
		rate := month[l.at.Month()].came / month[l.at.Month()].n
		base += (rate - y) * (rate - y)
		s.Came += int(y)
		b := &s.Fifths[min(int(l.chance*5), 4)]
		b.Looks++
		b.Stated += l.chance
		b.Came += y
	}
	s.Looks = len(s.looks)
	s.Skill = math.NaN()
	if base > 0 {
		s.Skill = 1 - s.Brier/base
	}
	s.Brier /= float64(max(s.Looks, 1))
	for i := range s.Fifths {
		if b := &s.Fifths[i]; b.Looks > 0 {
			b.Stated, b.Came = b.Stated/float64(b.Looks), b.Came/float64(b.Looks)
		}
	}
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
