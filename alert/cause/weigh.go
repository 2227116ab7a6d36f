package cause

import (
	"fmt"
	"math"
	"time"
)

// The weights of one piece of evidence.
const (
	weak   = 1
	fair   = 2
	strong = 4
)

// scale weighs one cause.
type scale struct {
	Rung
	r Record
}

func (s *scale) pro(points int, format string, args ...any) {
	s.Points += points
	s.For = append(s.For, fmt.Sprintf(format, args...))
}

func (s *scale) con(points int, format string, args ...any) {
	s.Points -= points
	s.Against = append(s.Against, fmt.Sprintf(format, args...))
}

// out rules a cause out.
func (s *scale) out(format string, args ...any) {
	s.Excluded = true
	s.Against = append(s.Against, fmt.Sprintf(format, args...))
}

func (s *scale) weigh() {
	map[Cause]func(){
		Clock: s.clock, Path: s.path, Cutoff: s.cutoff, Creep: s.creep, Lockout: s.lockout,
		Cold: s.cold, Heat: s.heat, Water: s.water, Power: s.power,
	}[s.Cause]()
	if s.r.Stopped == Yes {
		s.out("the board ran on")
	}
	if s.Cause != Clock && s.r.stepped() {
		s.out("the clock stepped over the whole silence: nothing was silent")
	}
}

// Facts that several causes ask for. A comparison with what is not known is false.

// ranOn tells that the board never stopped.
func (r Record) ranOn() bool {
	return r.RanThrough == Yes || r.Over() && r.Uptime > r.Hours()+0.1 && !(r.Boots >= 1)
}

// restarted tells that the board did stop.
func (r Record) restarted() bool {
	return r.Over() && !r.ranOn() && (r.Boots >= 1 || r.Uptime < r.Hours())
}

// stepped tells that the clock's step accounts for nearly all of the silence.
func (r Record) stepped() bool { return math.Abs(r.ClockStep) >= 0.8*r.Hours() && r.Hours() > 0 }

// charged and drained are what is sure of the last charge: the whole band counts. The volts
// at the cut-off outweigh what was counted.
func (r Record) charged() bool {
	return !r.atCutoff() && (r.SoCLow >= 0.35 || math.IsNaN(r.SoCLow) && r.SoC >= 0.5)
}
func (r Record) drained() bool {
	return r.atCutoff() && !r.charged() || r.SoCHigh <= 0.25 || math.IsNaN(r.SoCHigh) && r.SoC <= 0.15
}

// atCutoff tells that the last volts were near the controller's setting while the count
// leaves room for it. A sudden fall at a full battery is a bad contact or the frost.
func (r Record) atCutoff() bool {
	return r.Volts <= r.CutoffVolts+0.5 && !(r.SoCLow >= 0.35)
}

// deep tells of volts below the controller's setting: it should have let go by then.
func (r Record) deep() bool { return r.Volts <= r.CutoffVolts-0.25 }

// grew tells that the load, or what the panel does not give any more, is behind a low
// battery.
func (r Record) grew() bool   { return r.LoadRatio >= 1.1 }
func (r Record) shaded() bool { return r.SkyRatio >= 0.85 && r.HarvestRatio <= 0.75 && !r.frost() }
func (r Record) grey() bool {
	return r.SkyRatio < 0.7 || math.IsNaN(r.SkyRatio) && r.HarvestRatio <= 0.6
}

// frost tells that LiFePO4 takes no charge, or should not: below 0 °C.
func (r Record) frost() bool { return r.BatteryC <= 0 || math.IsNaN(r.BatteryC) && r.BoxC <= -2 }

// enoughSun tells that sun alone should have brought a sound battery back: two hours of full
// sun on the usual panel are some tens of percent.
func (r Record) enoughSun() bool { return r.SunHours >= 3 }

// lost tells of a way that got worse.
func (r Record) lost() bool { return r.Loss >= 0.1 || r.Flaps >= 3 }

func (r Record) startsBetween(from, to int) bool {
	h := r.Start.Hour()
	if from <= to {
		return h >= from && h < to
	}
	return h >= from || h < to
}

func (r Record) endsBetween(from, to int) bool {
	return r.Over() && r.End.Hour() >= from && r.End.Hour() < to
}

func percent(x float64) string { return fmt.Sprintf("%.0f %%", 100*x) }

// clock: nothing was silent; the times are wrong.
func (s *scale) clock() {
	r := s.r
	switch {
	case r.stepped():
		s.pro(2*strong, "the clock moved %.1f hours further than the time that passed, as long as the silence", r.ClockStep)
	case r.ClockStep < 0.1:
		s.out("the clock did not step")
	case r.ClockBefore == No && r.ClockAfter == Yes && r.Over():
		s.pro(fair, "the clock was not trusted before, and was after")
	case !r.Over():
		s.con(strong, "it is silent still")
	case r.ClockBefore == No || r.ClockAfter == No:
		s.pro(fair, "the clock was not trusted, so the times are not sure")
	default:
		s.con(fair, "nothing is known of a step of the clock")
	}
}

// path: the board ran on.
func (s *scale) path() {
	r := s.r
	switch {
	case r.ranOn():
		s.pro(strong, "the board ran through the silence")
	case r.restarted():
		s.con(strong, "the board started anew")
	}
	switch r.Heard {
	case Yes:
		s.pro(strong+fair, "neighbours heard it in the meantime")
	case No:
		s.con(weak, "the neighbours did not hear it either")
	}
	if r.Others == Yes {
		s.pro(fair, "others fell silent with it")
	}
	if r.Rain == Yes && r.lost() {
		s.con(strong, "it came with the rain, %s", s.flapping())
		return
	}
	s.failing()
}

// failing weighs a way that got worse before it broke.
func (s *scale) failing() {
	r := s.r
	if r.Loss >= 0.1 {
		s.pro(fair, "%s of the probes got lost in the hour before", percent(r.Loss))
		if r.Loss > 2*r.LossBefore {
			s.pro(weak, "a day earlier it was %s", percent(r.LossBefore))
		}
	} else if r.Loss < 0.05 && !r.ranOn() && r.Heard != Yes {
		s.con(weak, "nothing got lost before")
	}
	if r.Flaps >= 3 && !r.restarted() {
		s.pro(weak, "it came and went %.0f times that day", r.Flaps)
	}
	if r.Wind == Yes {
		s.pro(weak, "there was wind")
	}
}

// low weighs what all causes with an empty battery have in common.
func (s *scale) low() {
	r := s.r
	switch {
	case r.ranOn():
		s.out("the board ran through the silence")
	case r.Heard == Yes:
		s.out("neighbours heard it in the meantime")
	case r.charged():
		s.con(strong, "the battery was at %s", percent(r.SoC))
	case r.drained():
		s.pro(fair, "the battery was low: %s", s.last())
	}
	if r.CutoffChance >= 0.5 || r.CutoffHours <= 12 {
		s.pro(fair, "it had said so: a cut-off within a day with a chance of %s", percent(r.CutoffChance))
	} else if r.CutoffChance >= 0.3 {
		s.pro(weak, "it had given a cut-off within a day a chance of %s", percent(r.CutoffChance))
	} else if r.CutoffChance <= 0.05 {
		s.con(fair, "it had seen no cut-off coming")
	}
}

// last is the last charge or volts, in words.
func (s *scale) last() string {
	switch r := s.r; {
	case r.atCutoff() && math.IsNaN(r.SoC):
		return fmt.Sprintf("%.1f V, the cut-off is at %.1f V", r.Volts, r.CutoffVolts)
	case r.atCutoff():
		return fmt.Sprintf("%.1f V and %s, the cut-off is at %.1f V", r.Volts, percent(r.SoC), r.CutoffVolts)
	}
	return percent(s.r.SoC)
}

// night weighs the hours of a plain cut-off: gone in the dark, back with the sun.
func (s *scale) night() {
	r := s.r
	if r.startsBetween(21, 9) {
		s.pro(weak, "it went in the dark, at %s", r.Start.Format("15:04"))
	} else if r.startsBetween(11, 16) {
		s.con(fair, "it went at %s, when the sun feeds it", r.Start.Format("15:04"))
	}
	switch {
	case r.endsBetween(9, 15) && r.restarted() && !r.enoughSun():
		s.pro(fair, "it was back with the sun, at %s", r.End.Format("15:04"))
	case r.enoughSun():
		s.con(strong, "%.0f hours of full sun did not bring it back", r.SunHours)
	}
}

// cutoff: the weather emptied it.
func (s *scale) cutoff() {
	s.low()
	s.night()
	r := s.r
	if r.grey() {
		s.pro(weak, "the harvest of the days before was %s of the usual", percent(r.HarvestRatio))
	}
	if r.grew() {
		s.con(fair, "the load was %s of the usual: the weather alone is not to blame", percent(r.LoadRatio))
	}
	if r.shaded() {
		s.con(strong, "the sky had more to give than the panel gave")
	}
	if r.frost() && r.SkyRatio >= 0.85 {
		s.con(fair, "the sun was there; the battery at %.0f °C took nothing", r.BatteryC)
	}
	if r.BoxC >= 60 {
		s.con(weak, "the box was at %.0f °C", r.BoxC)
	}
}

// creep: load or loss of harvest emptied it.
func (s *scale) creep() {
	s.low()
	s.night()
	r := s.r
	switch {
	case r.grew():
		s.pro(fair, "the nights took %s of what they took a month before", percent(r.LoadRatio))
		if r.HarvestRatio >= 0.8 {
			s.pro(weak, "the harvest was as usual: %s", percent(r.HarvestRatio))
		}
	case r.shaded() && r.HarvestRatio >= 0.25:
		s.pro(strong, "the panel gave %s of the usual under a usual sky (%s)", percent(r.HarvestRatio), percent(r.SkyRatio))
	case r.LoadRatio <= 1.05:
		s.con(strong, "the load was as usual")
	default:
		s.con(fair, "no change of the load is known")
	}
}

// lockout: empty, and no sun wakes it.
func (s *scale) lockout() {
	s.low()
	r := s.r
	switch {
	case r.enoughSun() && !r.Over():
		s.pro(fair, "%.0f hours of full sun since, and it is still dark", r.SunHours)
	case r.enoughSun():
		s.pro(fair, "it took %.0f hours of full sun, or a charger, to bring it back", r.SunHours)
	case r.Over():
		s.con(strong, "it came back by itself")
	default:
		s.con(fair, "there was little sun since")
	}
	if r.deep() {
		s.pro(fair, "the volts were below the controller's setting: %.1f V", r.Volts)
	}
	if r.frost() {
		s.con(fair, "it may only wait for warmth, at %.0f °C", r.BatteryC)
	}
	if r.HarvestRatio < 0.05 && r.SkyRatio >= 0.5 {
		s.con(fair, "nothing came from the panel in the days before")
	}
}

// cold: no charge goes in, or the volts sag.
func (s *scale) cold() {
	r := s.r
	if r.ranOn() {
		s.out("the board ran through the silence")
		return
	}
	if !r.frost() {
		if math.IsNaN(r.BatteryC) && math.IsNaN(r.BoxC) {
			return
		}
		s.out("it was not cold enough: %s", s.degrees())
		return
	}
	s.pro(weak, "it was cold: %s", s.degrees())
	if r.HarvestRatio <= 0.3 && r.SkyRatio >= 0.8 {
		s.pro(strong, "the sky was bright and the battery took nothing")
	}
	if r.drained() {
		s.pro(fair, "the battery was low: %s", s.last())
	}
	if r.charged() && r.SagVolts >= 0.5 && (r.BatteryC <= -8 || r.BoxC <= -8) {
		s.pro(strong, "the volts sagged by %.1f V with charge left", r.SagVolts)
		if r.startsBetween(4, 10) {
			s.pro(weak, "it was the coldest hour, %s", r.Start.Format("15:04"))
		}
	}
}

func (s *scale) degrees() string {
	switch r := s.r; {
	case math.IsNaN(r.BatteryC):
		return fmt.Sprintf("%.0f °C in the box", r.BoxC)
	case math.IsNaN(r.BoxC):
		return fmt.Sprintf("battery %.0f °C", r.BatteryC)
	default:
		return fmt.Sprintf("battery %.0f °C, box %.0f °C", r.BatteryC, r.BoxC)
	}
}

// heat: boards stop, and batteries protect themselves, from about 60 °C.
func (s *scale) heat() {
	r := s.r
	switch {
	case r.ranOn():
		s.out("the board ran through the silence")
		return
	case r.BoxC < 50 && !(r.BatteryC >= 55):
		s.out("the box was at %.0f °C", r.BoxC)
		return
	case math.IsNaN(r.BoxC) && math.IsNaN(r.BatteryC):
		return
	case r.BoxC >= 60 || r.BatteryC >= 55:
		s.pro(strong, "it was hot: %s", s.degrees())
	case r.BoxC >= 50:
		s.pro(weak, "it was warm: %s", s.degrees())
	}
	if r.startsBetween(11, 19) {
		s.pro(weak, "it was the heat of the day, %s", r.Start.Format("15:04"))
	}
	if r.Over() && r.End.Hour() >= 16 && r.End.Sub(r.Start) < 12*time.Hour {
		s.pro(weak, "it was back in the cool of the evening, at %s", r.End.Format("15:04"))
	}
	if r.Heard == Yes {
		s.con(strong, "neighbours heard it in the meantime")
	}
}

// water: it comes with the rain.
func (s *scale) water() {
	r := s.r
	switch r.Rain {
	case No:
		s.con(strong, "there was no rain")
	case Yes:
		s.pro(weak, "it rained")
		if r.lost() || r.Boots >= 3 {
			s.pro(strong, "it came and went with the wet: %s", s.flapping())
		}
	}
	if r.Humidity >= 0.9 {
		s.pro(fair, "the air in the box was at %s humidity", percent(r.Humidity))
	} else if r.Humidity < 0.7 {
		s.con(fair, "the box was dry")
	}
	if r.frost() {
		s.con(fair, "it froze")
	}
}

func (s *scale) flapping() string {
	switch r := s.r; {
	case r.Boots >= 3:
		return fmt.Sprintf("%.0f starts of the board", r.Boots)
	case r.Flaps >= 1:
		return fmt.Sprintf("%.0f short silences", r.Flaps)
	default:
		return percent(r.Loss) + " of the probes lost"
	}
}

// power: charge was there and did not arrive, or could not get in.
func (s *scale) power() {
	r := s.r
	switch {
	case r.ranOn():
		s.out("the board ran through the silence")
		return
	case r.Heard == Yes:
		s.out("neighbours heard it in the meantime")
		return
	}
	if r.charged() {
		s.pro(fair, "it stopped with charge in the battery: %s", percent(r.SoC))
		if r.restarted() {
			s.pro(weak, "the board started anew")
		}
		if r.SunHours >= 3 && !r.Over() {
			s.pro(fair, "%.0f hours of full sun did not bring it back", r.SunHours)
		}
		if r.SagVolts >= 0.6 && !r.frost() {
			s.pro(fair, "the volts jumped by %.1f V before: a bad contact", r.SagVolts)
		}
	}
	if r.HarvestRatio < 0.1 && r.SkyRatio >= 0.8 && !r.frost() {
		s.pro(strong+fair, "nothing came from the panel under a bright sky")
		if !r.Over() {
			s.pro(fair, "and so it stays dark")
		}
	} else if r.drained() {
		s.con(fair, "the battery was low in any case: %s", s.last())
	}
	if r.VoltsAfter >= 12.8 && r.restarted() && r.charged() && math.Abs(r.SoCAfter-r.SoC) < 0.1 && r.Hours() > 6 {
		s.pro(fair, "the battery lost nothing in the meantime: it was cut loose")
	}
	if r.Heard == No && r.charged() {
		s.pro(weak, "the neighbours did not hear it either")
	}
	s.otherwise()
}

// otherwise holds against a loss of power what would explain it better.
func (s *scale) otherwise() {
	r := s.r
	if r.lost() {
		s.con(fair, "the way to it was failing before")
	}
	if r.BoxC >= 60 || r.BatteryC >= 55 {
		s.con(fair, "it was hot")
	}
	if r.Rain == Yes && (r.Flaps >= 3 || r.Humidity >= 0.9) {
		s.con(fair, "it was wet")
	}
}
