package battery

import (
	"math"
	"time"
)

// Belief is what is believed of the battery at one moment. Ratios run from 0 to 1; what is
// not known is NaN.
type Belief struct {
	SoC, Low, High float64 // mean, and the 90 % band (5th and 95th percentile)
	SoCSD          float64
	UsableAh       float64 // capacity at the present temperature and age
	UsableAhSD     float64
	OffsetAmps     float64 // what the current sensor adds to the truth
	OffsetSD       float64
	UnmeteredWatts float64 // load that leaves the battery past the meters
	UnmeteredSD    float64
	MilliOhms      float64       // of the whole battery
	Full           bool          // held at absorption with the current tapered
	Curtailed      bool          // the charger gives less than the panel could
	SinceFull      time.Duration // since the last true full; negative when never seen
	NetWatts       float64       // into the battery, measured or inferred
	LoadWatts      float64       // all load, the unmetered part included
	Health         float64       // capacity against the label; NaN until learned
	HealthSD       float64

	DrainWatts, DrainSD float64 // all that leaves unmeasured: unmetered load and the sensor's zero error together
	NightWatts, NightSD float64 // by how much that is more in the dark than by day
	UnmeteredFound      bool    // a load past the meters is as good as certain
	MilliOhms25         float64 // resistance as it would be at 25 °C, so that months can be compared
	BandPerDay          float64 // by how much the band widens with each further day without a full
	Starved             bool    // so long without a full that the protection circuit cannot balance the cells
	Celsius             float64 // of the battery, measured or inferred; NaN when nothing tells
	ColdCharge          bool    // charging below 0 °C, which harms the cells for good
	ClaimGap            float64 // the controller's own claim less SoC; NaN when it claims nothing
	Replaced            bool    // the voltage says that this is another battery than yesterday
}

// starvedAfter is the time without a true full after which balancing counts as starved.
// Protection circuits balance only near full (common practice); cells drift apart over
// weeks.
const starvedAfter = 30 * 24 * time.Hour

// bandSD is how many standard deviations the band reaches to either side. What is believed
// of cells and sensors at large is wide enough for the odd ones; a battery whose voltages and
// fulls surprise little is not one of those, and its band is narrower.
func bandSD(surprise, closing float64) float64 {
	return min(max(1.5*math.Sqrt(0.15+max(surprise, 0.8*closing)), 1.0), 2.6)
}

// unevenSD is by how much less the emptiest cell of a pack holds than the mean that is seen.
const unevenSD = 0.004

// A belief so wide is that of several cases, whose tails are heavy.
const (
	mixedSD    = 0.10
	mixedReach = 2.4

	untaught      = 480.0 // h without a full
	untaughtReach = 1.5
)

// band is how far the band reaches below and above the mean, where all but the capacity may be narrowed
// by what surprised little: a capacity that was never tested surprises nobody either.
func (s *State) band(reach float64) (below, above float64) {
	const normal, untested = 1.645, 2.6 // of a normal distribution, 5th and 95th percentile; and what the capacity's tails are worth
	times := normal
	if s.sd(iLogCapacity) > learnedSD {
		times *= untested
	}
	c := s.Cov[iCharge][iLogCapacity]
	size := min(c*c/s.Cov[iLogCapacity][iLogCapacity], s.Cov[iCharge][iCharge])
	rest := s.Cov[iCharge][iCharge] - size
	if rest > mixedSD*mixedSD && s.SinceGap > 24 { // not where it is only that nobody looked
		reach = max(reach, mixedReach)
	}
	if s.Volts == 0 || !s.Anchored || s.SinceAnchor > untaught { // what was compared with little had little to surprise it
		reach = max(reach, untaughtReach)
	}
	times = max(times, reach)
	odd := max(times*s.sd(iLogCapacity), 1e-9) // a battery so much smaller moves its charge by more than the tangent says
	even := reach*reach*rest + normal*normal*unevenSD*unevenSD
	larger, smaller := math.Sqrt(even+times*times*size), math.Sqrt(even+sq(times*math.Expm1(odd)/odd)*size)
	if c > 0 { // counted down from a full
		return smaller, larger
	}
	return larger, smaller
}

// Belief reads the state out.
func (m Model) Belief(s *State) Belief {
	if s.Form != form {
		fresh := m.adopted(*s)
		s = &fresh
	}
	sd, x := s.sd(iCharge), s.Mean[iCharge]
	volts := 3.3 * m.cells()
	size := m.Battery.CapacityAh * math.Exp(s.Mean[iLogCapacity])
	left := max(1-s.Mean[iColdLoss]*colder(s.Celsius), 0.4)
	g, reach := m.split(s), bandSD(s.OCVSurprise, s.FullSurprise)
	below, above := s.band(reach)
	b := Belief{
		SoC: x, SoCSD: sd, Low: max(x-below, 0), High: min(x+above, 1),
		UsableAh: size * left, UsableAhSD: m.usableSD(s, size, left),
		OffsetAmps: s.Mean[iDrain] - g.watts/volts, OffsetSD: g.sd / volts,
		UnmeteredWatts: g.watts, UnmeteredSD: g.sd,
		MilliOhms: 1000 * m.ohms(s), Full: s.Full, Curtailed: s.Curtailed, SinceFull: -1,
		NetWatts: s.NetW, LoadWatts: s.LoadW, Health: math.NaN(), HealthSD: math.NaN(),
		DrainWatts: s.Mean[iDrain] * volts, DrainSD: s.sd(iDrain) * volts,
		NightWatts: s.Mean[iNightDrain] * volts, NightSD: s.sd(iNightDrain) * volts,
		MilliOhms25:    1000 * m.restOhms(s),
		UnmeteredFound: s.UnmeteredHours >= unmeteredHours, BandPerDay: 2 * reach * 24 * s.sd(iDrain) / size,
		Starved: s.SinceFull > starvedAfter, Celsius: math.NaN(), ColdCharge: s.ColdCharge,
		ClaimGap: math.NaN(), Replaced: s.ReplacedHours > 0,
	}
	if !s.Flow.InKnown && s.Flow.VoltsKnown && s.Flow.Volts > restMost*m.cells() {
		b.High = 1 // it is in its charger's hands, and what flows in is not seen
	}
	if s.FullSeen {
		b.SinceFull = s.SinceFull
	}
	if s.CelsiusSet {
		b.Celsius = s.Celsius
	}
	if s.ControllerSoCKnown {
		b.ClaimGap = s.ControllerSoC - x
	}
	if sd := math.Hypot(s.sd(iLogCapacity), gainSD); sd < learnedSD {
		b.Health, b.HealthSD = math.Exp(s.Mean[iLogCapacity]), sd*math.Exp(s.Mean[iLogCapacity])
	}
	return b
}

// Health is told from this relative spread of the capacity on. What the current sensor's
// gain adds cannot be learned: it makes a battery of another size look the same.
const (
	learnedSD = 0.065
	gainSD    = 0.012
)

// usableSD is the spread of the capacity at the present temperature. Size and cold are
// learned together, so their errors make up for each other in part.
func (m Model) usableSD(s *State, size, left float64) float64 {
	var slope [unknowns]float64
	slope[iLogCapacity] = size * left
	slope[iColdLoss] = -size * colder(s.Celsius)
	return math.Hypot(math.Sqrt(s.spread(&slope)), gainSD*size*left)
}
