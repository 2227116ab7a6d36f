package facts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// Knowledge says what may be claimed at all. Every surface takes it from [KnowledgeOf], so that
// the page, the status, the metrics and the interface for programs cannot contradict each other.
type Knowledge string

// The states of knowledge, from the least. Before the first reading what is believed is only
// what is usual of batteries, or what the owner said: it is shown, exported and judged nowhere.
const (
	NothingRead Knowledge = "nothing read yet"
	Blind       Knowledge = "blind"        // readings came once, and come no more
	PartlyBlind Knowledge = "partly blind" // an instrument is silent, and nothing else gives what it gave
	Doubted     Knowledge = "doubted"      // readings contradict each other, or cannot be
	Learning    Knowledge = "learning"     // readings come; some habits are not known yet
	Known       Knowledge = "well"
)

// Knowledges lists them all.
func Knowledges() []Knowledge {
	return []Knowledge{NothingRead, Blind, PartlyBlind, Doubted, Learning, Known}
}

// BatteryQuantities are what tells of the battery: its voltage, and what flows in or out. As
// long as one of them comes, the node is not blind.
func BatteryQuantities() []reading.Quantity {
	return []reading.Quantity{reading.BatteryVolts, reading.BatteryAmps, reading.ChargeAmps, reading.PanelWatts,
		reading.LoadAmps, reading.LoadWatts}
}

// vagueBand is the width of the 90 % band from which a charge is told as a range: the middle
// of it would claim more than is known.
const vagueBand = 0.4

// KnowledgeOf says how much is known, and why not more, in sentences without a full stop.
func KnowledgeOf(s *Snapshot) (k Knowledge, why []string) {
	doubts := s.doubts()
	switch silent, every := s.unheard(); {
	case s.Heard < 0 && len(doubts) > 0:
		return Doubted, doubts
	case s.Heard < 0:
		return NothingRead, s.unanswered()
	case silent && len(doubts) > 0:
		return Doubted, doubts
	case silent:
		return Blind, append([]string{fmt.Sprintf("the last reading is %s old, and one is due every %s", Span(s.Heard), Span(every))}, s.unanswered()...)
	case len(doubts) > 0:
		return Doubted, doubts
	}
	if why = s.unseen(); len(why) > 0 {
		return PartlyBlind, why
	}
	if why = s.lessons(); len(why) > 0 {
		return Learning, why
	}
	return Known, nil
}

// unheard tells whether the battery's readings are overdue: five periods of the slowest
// instrument without one, since a lost poll or two says nothing. Those that only ask other
// nodes are no instruments.
func (s *Snapshot) unheard() (yes bool, every time.Duration) {
	for _, x := range s.instruments() {
		every = max(every, x.Every)
	}
	return s.Heard >= max(5*every, time.Minute), every
}

func (s *Snapshot) instruments() []Source {
	return slices.DeleteFunc(slices.Clone(s.Sources), func(x Source) bool { return x.Kind == "ping" || x.Kind == "peer" })
}

// doubts are the readings of the battery that are doubted, where no other source has the same
// quantity undoubted.
func (s *Snapshot) doubts() (why []string) {
	for _, q := range BatteryQuantities() {
		if m := s.Reading[q]; m.Known && m.Suspect != "" {
			why = append(why, fmt.Sprintf("%s of %s: %s", strings.ReplaceAll(q.String(), "_", " "), m.Source, m.Suspect))
		}
	}
	return why
}

// unanswered says of each silent instrument why it is.
func (s *Snapshot) unanswered() (why []string) {
	for _, x := range s.instruments() {
		switch {
		case !x.Tried:
			why = append(why, x.Name+" was not asked yet")
		case !x.Up && x.Err != "":
			why = append(why, x.Name+": "+x.Err)
		case !x.Up:
			why = append(why, x.Name+" does not answer")
		default:
			why = append(why, x.Name+" answers, but tells nothing of the battery")
		}
	}
	return why
}

// unseen says of each silent instrument what is not known without it.
func (s *Snapshot) unseen() (why []string) {
	for _, x := range s.instruments() {
		if lost := x.LostWords(); lost != "" && x.Silent > max(5*x.Every, time.Minute) {
			why = append(why, fmt.Sprintf("%s has been silent for %s: %s not known", x.Name, Span(x.Silent), lost))
		}
	}
	return why
}

// LostWords lists what only this source gave, and nothing gives now: "load amps and pv watts".
func (x Source) LostWords() string {
	var names []string
	for _, q := range x.Lost {
		names = append(names, strings.ReplaceAll(q.String(), "_", " "))
	}
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

// lessons says what is not known yet, and when it will be.
func (s *Snapshot) lessons() (why []string) {
	if s.BeliefKnown() && s.vague() {
		why = append(why, fmt.Sprintf("the charge lies between %.0f and %.0f %%: %s", 100*s.Belief.Low, 100*s.Belief.High, s.toldBy()))
	}
	for _, l := range s.Lessons {
		why = append(why, l.What+": known after about "+daysMore(l.Left, l.Of))
	}
	return why
}

// toldBy says what would tell a charge that is little known: the next full charge, or where too
// little is measured, the sensor that would. The figures are those of the judge's simulated nodes:
// 0.10 by the voltage alone, 0.05 to 0.11 by powers alone and 0.02 with both.
func (s *Snapshot) toldBy() string {
	known := func(of ...reading.Quantity) bool {
		return slices.ContainsFunc(of, func(q reading.Quantity) bool { return s.Reading[q].Known })
	}
	switch {
	case !known(reading.BatteryAmps, reading.ChargeAmps, reading.PanelWatts, reading.LoadAmps, reading.LoadWatts):
		return "the voltage alone tells it to some 10 %; with a current sensor in the battery's lead, for some 10 euro, it is some 2 %"
	case !known(reading.BatteryVolts):
		return "without a voltage it is told to some 10 % where the load's power varies, else worse; with a voltmeter at the battery, for some 10 euro, it is some 2 %"
	}
	return "the next full charge tells it"
}

// daysMore says how many more days it takes, and of what.
func daysMore(n int, of string) string {
	text := "one more day"
	if n > 1 {
		text = fmt.Sprintf("%d more days", n)
	}
	if of != "" {
		text += " of " + of
	}
	return text
}

// Vague tells whether a charge is so little known that only its range may be told.
func Vague(low, high float64) bool { return high-low > vagueBand }

func (s *Snapshot) vague() bool { return Vague(s.Belief.Low, s.Belief.High) }

// knowledgeRows exports the state as a set: 1 for the one that holds.
func knowledgeRows() []Row {
	return []Row{{Metric: "knowledge", Group: GroupDaemon, Label: "Knowledge", Labels: []string{"state"},
		Help: "1 for how much is known of the battery, 0 for the other states",
		Each: func(s *Snapshot, yield func(float64, ...string)) {
			now, _ := KnowledgeOf(s)
			for _, k := range Knowledges() {
				yield(truth(k == now), string(k))
			}
		}}}
}
