package wiring

import "math"

// Copper at 20 °C: Ω mm² per km, and its change per kelvin.
const (
	rho20   = 17.241
	alpha20 = 0.00393
)

// Diameter is that of a solid conductor of the American gauge, mm. 1/0 to 4/0 are 0 to -3.
func Diameter(awg int) float64 { return 0.127 * math.Pow(92, float64(36-awg)/39) }

// Area is the section of a solid conductor of the American gauge, mm².
func Area(awg int) float64 {
	d := Diameter(awg)
	return math.Pi / 4 * d * d
}

// lay is what stranding adds to the length of the strands, and so to the resistance.
const lay = 1.02

// Ideal is the resistance of a section of copper by its resistivity, Ω/km. A stranded
// conductor has 2 % more.
func Ideal(mm2, celsius float64, stranded bool) float64 {
	r := rho20 / mm2 * (1 + alpha20*(celsius-20))
	if stranded {
		r *= lay
	}
	return r
}

// size is a standard section and its largest resistance at 20 °C, Ω/km.
type size struct {
	mm2, solid, flexible float64
}

// sizes are those of IEC 60228: classes 1 and 2, and class 5.
func sizes() [11]size {
	return [11]size{
		{0.5, 36.0, 39.0}, {0.75, 24.5, 26.0}, {1, 18.1, 19.5}, {1.5, 12.1, 13.3}, {2.5, 7.41, 7.98}, {4, 4.61, 4.95},
		{6, 3.08, 3.30}, {10, 1.83, 1.91}, {16, 1.15, 1.21}, {25, 0.727, 0.780}, {35, 0.524, 0.554},
	}
}

// Cable is one run's conductor. Give MM2, or AWG with Gauge set.
type Cable struct {
	MM2      float64
	AWG      int
	Gauge    bool // the size is AWG
	Flexible bool // fine strands, as most cable of this kind is
}

// Section is the copper's section, mm².
func (c Cable) Section() float64 {
	if c.Gauge {
		return Area(c.AWG)
	}
	return c.MM2
}

// OhmsPerKm is the resistance of one conductor. A standard section has the largest that its
// standard allows, which is 5 to 7 % above the ideal; any other that of its copper.
func (c Cable) OhmsPerKm(celsius float64) float64 {
	if !c.Gauge {
		for _, s := range sizes() {
			if s.mm2 == c.MM2 {
				r := s.solid
				if c.Flexible {
					r = s.flexible
				}
				return r * (1 + alpha20*(celsius-20))
			}
		}
	}
	return Ideal(c.Section(), celsius, true)
}

// Section is the ideal copper, mm², that keeps the drop of a run of so many metres to a
// share of the voltage.
func Section(volts, amps, meters, share float64) float64 {
	return 2 * meters * amps * rho20 / 1000 / (share * volts)
}

// gauges are those that are sold, from the thinnest: the even ones, and 1/0 to 4/0.
func gauges() [14]int { return [14]int{20, 18, 16, 14, 12, 10, 8, 6, 4, 2, 0, -1, -2, -3} }
