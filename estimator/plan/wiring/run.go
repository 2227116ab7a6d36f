package wiring

import (
	"fmt"
	"math"
)

// Run is one cable from its supply to what it feeds.
type Run struct {
	Name   string
	Meters float64 // one way
	Cable  Cable
	Volts  float64 // lowest at the supply end: the less there is, the more a load draws
	// The worst load: a power that stays the same whatever the voltage (radios, boards,
	// converters), or a current (a panel, a heater).
	Watts, Amps float64
	FuseAmps    float64 // 0 is none
	Most        float64 // largest drop that is wanted, a share; 0 is 3 % (common practice)
}

// hot is the temperature at which resistance is taken where safety or reach is judged.
const hot = 50.0

// Verdict is what a run does at its worst.
type Verdict struct {
	Run
	Ohms      float64 // there and back, at 20 °C
	Current   float64 // A
	Drop      float64 // V
	Share     float64 // of the supply's voltage
	Loss      float64 // W
	Collapsed bool    // the load cannot be fed at all: no current brings its power across
	WantMM2   float64 // ideal copper for the largest drop that is wanted
	// The least standard section, and gauge, that keep the drop and may carry both the current
	// and its fuse for ever; NextMM2 is 0 when none to 35 mm² does.
	NextMM2 float64
	NextAWG int
	AWGOK   bool
	Fine    bool // the drop is kept
	Carries bool // the cable may carry the current, with a quarter to spare, and its fuse for ever
}

// Judge works a run out at 20 °C, and finds the sizes that would do.
func (r Run) Judge() Verdict {
	v := r.work()
	v.recommend()
	return v
}

// work works the run out as it is drawn.
func (r Run) work() Verdict {
	if r.Most == 0 {
		r.Most = 0.03
	}
	v := Verdict{Run: r, Ohms: r.Loop(20)}
	v.Current, v.Collapsed = r.Amps, false
	if r.Watts > 0 {
		i, ok := Feed(r.Volts, r.Watts, v.Ohms)
		v.Current, v.Collapsed = r.Amps+i, !ok
		if !ok {
			v.Current = r.Amps + r.Watts/r.Volts
		}
	}
	v.Drop = v.Current * v.Ohms
	v.Share, v.Loss = v.Drop/r.Volts, v.Current*v.Drop
	// The section is asked for the current at the end of the run, where the voltage is
	// lower by the drop that is allowed.
	amps := r.Amps + r.Watts/(r.Volts*(1-r.Most))
	v.WantMM2 = Section(r.Volts, amps, r.Meters, r.Most)
	v.Fine = !v.Collapsed && v.Share <= r.Most+1e-9
	v.Carries = Ampacity(r.Cable.Section()) >= max(1.25*v.Current, r.FuseAmps)
	return v
}

// recommend finds the sizes that pass the run's own checks with the resistance that their
// standard allows, which no area by itself promises: a flexible section may have 14 % more
// than the ideal.
func (v *Verdict) recommend() {
	passes := func(c Cable) bool {
		r := v.Run
		r.Cable = c
		w := r.work()
		return w.Fine && w.Carries
	}
	for _, s := range sizes() {
		if passes(Cable{MM2: s.mm2, Flexible: v.Cable.Flexible}) {
			v.NextMM2 = s.mm2
			break
		}
	}
	for _, n := range gauges() {
		if passes(Cable{AWG: n, Gauge: true, Flexible: v.Cable.Flexible}) {
			v.NextAWG, v.AWGOK = n, true
			break
		}
	}
}

// Loop is the resistance there and back, Ω.
func (r Run) Loop(celsius float64) float64 {
	return 2 * r.Meters / 1000 * r.Cable.OhmsPerKm(celsius)
}

// Feed is the current that brings a power across a resistance; false when none does: more
// current would lose more in the cable than it carries.
func Feed(volts, watts, ohms float64) (amps float64, ok bool) {
	d := volts*volts - 4*ohms*watts
	if d < 0 {
		return math.NaN(), false
	}
	return 2 * watts / (volts + math.Sqrt(d)), true // the other form of the root loses its digits in short cables
}

// Bracket is the room for a fuse.
type Bracket struct {
	Least     float64 // A: 1.25 times the worst current that lasts (common practice)
	Most      float64 // A: what the wire may carry
	Size      float64 // a usual size between them; 0 when there is none
	Short     float64 // A, prospective short current at the fuse
	Interrupt float64 // A: the interrupting rating to look for, the next above Short
	Problems  []string
}

// CellOhmsAh is the resistance of a LiFePO4 cell times its capacity, Ω·Ah, at the low end:
// cells of 100 Ah are sold with 0.3 to 0.6 mΩ (common practice). What is low is cautious here,
// since it is the short current that a fuse must break. The battery's own protection is not
// counted on: it may fail closed.
const CellOhmsAh = 0.03

// BatteryOhms is the least resistance to expect of a battery, Ω.
func BatteryOhms(cells int, capacityAh float64) float64 {
	return float64(max(cells, 1)) * CellOhmsAh / capacityAh
}

// Fuse finds the fuse of a run at a battery. battery is its internal resistance with the
// link to the fuse, Ω; full its highest voltage.
func (v Verdict) Fuse(full, battery float64) Bracket {
	b := Bracket{Least: 1.25 * v.Current, Most: Ampacity(v.Cable.Section())}
	for _, s := range fuses() {
		if s >= b.Least && s <= b.Most && b.Size == 0 {
			b.Size = s
		}
	}
	if battery > 0 {
		b.Short = full / battery
	}
	b.Interrupt = rating(b.Short)
	b.check(v)
	return b
}

func (b *Bracket) check(v Verdict) {
	if b.Size == 0 {
		b.Problems = append(b.Problems, fmt.Sprintf("no usual fuse lies between %.3g A, which the load wants, and %.3g A, which %.3g mm² may carry: use thicker wire", b.Least, b.Most, v.Cable.Section()))
	}
	switch f := v.FuseAmps; {
	case f == 0:
		b.Problems = append(b.Problems, "no fuse is drawn")
	case f > b.Most:
		b.Problems = append(b.Problems, fmt.Sprintf("a fuse of %g A does not protect %.3g mm², which may carry %.3g A", f, v.Cable.Section(), b.Most))
	case f < b.Least:
		b.Problems = append(b.Problems, fmt.Sprintf("a fuse of %g A may blow at the worst current of %.3g A: %.3g A or more", f, v.Current, b.Least))
	}
	// A short at the far end must still open the fuse at once, not warm the wire.
	if far := v.Volts / max(v.Loop(hot), 1e-9); v.FuseAmps > 0 && far < 5*v.FuseAmps {
		b.Problems = append(b.Problems, fmt.Sprintf("a short at the far end gives only %.3g A: a fuse of %g A would be slow", far, v.FuseAmps))
	}
}

// Ampacity is the current that a copper section may carry for ever, A: two loaded
// conductors in conduit within an insulated wall, 30 °C, the most cautious way of laying
// that is usual. From memory of IEC 60364-5-52: the local code decides.
func Ampacity(mm2 float64) float64 {
	most := 0.0
	for _, p := range ampacities() {
		if mm2 >= p[0]*0.98 {
			most = p[1]
		}
	}
	return most
}

// ampacities are sections, mm², and what each may carry, A.
func ampacities() [14][2]float64 {
	return [14][2]float64{
		{0.5, 3}, {0.75, 6}, {1, 10}, {1.5, 14.5}, {2.5, 19.5}, {4, 26}, {6, 34}, {10, 46}, {16, 61}, {25, 80}, {35, 99}, {50, 119}, {70, 151}, {95, 182},
	}
}

// fuses are usual sizes, A (common practice).
func fuses() [22]float64 {
	return [22]float64{1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200}
}

// rating is a usual interrupting rating above a short current, A (common practice); 0 when
// there is none, and the battery wants a fuse made for such.
func rating(short float64) float64 {
	for _, r := range [...]float64{1000, 2000, 5000, 10000, 20000, 50000, 100000} {
		if short < r {
			return r
		}
	}
	return 0
}
