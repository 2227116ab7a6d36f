package radio

import (
	"fmt"
	"math"
	"slices"
)

// speed of light, m/s.
const light = 299792458.0

// FreeSpace is the loss of free space, dB.
func FreeSpace(mhz, meters float64) float64 {
	return 20 * math.Log10(4*math.Pi*meters*mhz*1e6/light)
}

// Fresnel is the radius of the first Fresnel zone at a point d1 from one end and d2 from the
// other, m.
func Fresnel(mhz, d1, d2 float64) float64 {
	if d1 <= 0 || d2 <= 0 {
		return 0
	}
	return math.Sqrt(light / (mhz * 1e6) * d1 * d2 / (d1 + d2))
}

const earth = 6371e3 // m

// Bulge is how far the earth rises between two points, m. k is 4/3 in usual air.
func Bulge(d1, d2, k float64) float64 { return d1 * d2 / (2 * k * earth) }

// Leaves is the loss in trees in leaf along a depth in metres, for 230 MHz to 95 GHz and to
// 400 m; beyond it is held: the signal then comes over the trees rather than through.
// Source: Weissberger 1982.
func Leaves(mhz, depth float64) float64 {
	f := math.Pow(mhz/1000, 0.284)
	switch {
	case depth <= 0:
		return 0
	case depth < 14:
		return 0.45 * f * depth
	}
	return 1.33 * f * math.Pow(min(depth, 400), 0.588)
}

// Bare is what branches without leaves cost of what they cost with them, in dB; common
// practice for broad-leaved trees. Needles stay.
const Bare = 0.4

// Edge is the loss over one ridge. v is its height above the line of sight against the
// Fresnel zone, √2 h/r; at v = 0, on the line itself, it is 6 dB. Source: ITU-R P.526.
func Edge(v float64) float64 {
	if v <= -0.78 {
		return 0
	}
	return 6.9 + 20*math.Log10(math.Sqrt((v-0.1)*(v-0.1)+1)+v-0.1)
}

// End is one antenna.
type End struct {
	Name   string
	Height float64 // of the antenna above the ground
	Power  float64 // of the transmitter
	Gain   float64
	Loss   float64 // of cable and connectors
	Needs  float64 // least signal for the wanted rate
}

// EIRP is what the end radiates in its best direction, dBm.
func (e End) EIRP() float64 { return e.Power - e.Loss + e.Gain }

// Point is one place of the profile. Between points it is drawn straight.
type Point struct {
	At      float64 // m from the first end
	Ground  float64 // m
	Trees   float64 // m above the ground
	Needles bool    // the trees keep their leaves in winter
}

// Path is a drawn path. The first point is at one end and the last at the other.
type Path struct {
	MHz      float64
	Europe   bool // it lies where the table of Europe holds
	From, To End
	Profile  []Point
}

// Look is the path at one place.
type Look struct {
	At, Line, Ground, Trees float64 // heights; Ground with the earth's bulge
	Radius                  float64 // of the first Fresnel zone
	Clear                   float64 // share of the zone's radius that is free below the line, over the ground
	Through                 bool    // the line passes through trees, or below them: what bends over a wooded ridge passes its trees
}

// Season is what a season makes of the path.
type Season struct {
	Trees  float64 `json:"trees_db"`
	Signal float64 `json:"signal_dbm"` // at the weaker side
	Margin float64 `json:"margin_db"`  // above what the receiver needs
}

// Verdict is the path worked out.
type Verdict struct {
	Meters     float64    `json:"meters"`
	FreeSpace  float64    `json:"free_space_db"`
	Clear      float64    `json:"fresnel_clear"`    // least share of the first zone that is free
	ClearAt    float64    `json:"fresnel_clear_at"` // m from the first end
	CrownClear float64    `json:"crowns_clear"`     // the same over the tops of the trees; as Clear where there are none
	Diffracted float64    `json:"ridge_db"`         // over the ridges
	Gases      float64    `json:"air_db"`           // in oxygen and water vapour
	Rain       float64    `json:"shower_db"`        // more in a shower of [Shower] mm/h
	TreeDepth  float64    `json:"tree_depth_m"`     // m through trees
	Summer     Season     `json:"in_leaf"`
	Winter     Season     `json:"bare"`
	EIRP       [2]float64 `json:"eirp_dbm"`
	Looks      []Look     `json:"-"`
	Problems   []string   `json:"problems"`
}

// evenly is into how many stretches the path is cut, besides at the drawn places.
const evenly = 400

// places are where the path is looked at: evenly spread, and at every drawn place, or a sharp
// ridge would slip between two looks.
func (p Path) places() []float64 {
	last := p.Profile[len(p.Profile)-1].At
	var at []float64
	for i := range evenly + 1 {
		at = append(at, last*float64(i)/evenly)
	}
	for _, x := range p.Profile {
		at = append(at, x.At)
	}
	slices.Sort(at)
	return slices.Compact(at)
}

// Judge works the path out.
func (p Path) Judge() Verdict {
	last := p.Profile[len(p.Profile)-1].At
	v := Verdict{Meters: last, FreeSpace: FreeSpace(p.MHz, last), Clear: math.Inf(1), CrownClear: math.Inf(1), EIRP: [2]float64{p.From.EIRP(), p.To.EIRP()}}
	v.Gases, v.Rain = Gases(p.MHz)*last/1000, Rain(p.MHz, Shower)*last/1000
	near, needles := 0.0, 0.0
	at := p.places()
	for i, x := range at {
		l, point := p.look(x)
		v.Looks = append(v.Looks, l)
		if i == 0 || i == len(at)-1 {
			continue
		}
		width := (at[i+1] - at[i-1]) / 2
		if l.Through {
			v.TreeDepth += width
		}
		if l.Clear < v.Clear {
			v.Clear, v.ClearAt = l.Clear, l.At
		}
		crown := l.Clear - l.Trees/max(l.Radius, 1e-9)
		v.CrownClear = min(v.CrownClear, crown)
		if l.Trees > 0 && crown < free {
			near += width
			if point.Needles {
				needles += width
			}
		}
	}
	v.Diffracted = p.edges(v.Looks, ground)
	summer := p.trees(&v)
	share := Bare
	if near > 0 {
		share = Bare + (1-Bare)*needles/near
	}
	v.Summer, v.Winter = p.season(&v, summer), p.season(&v, summer*share)
	v.judge()
	if p.Europe {
		if wrong := p.allowed(); wrong != "" {
			v.Problems = append(v.Problems, wrong)
		}
	}
	return v
}

// grazing is the loss along an edge that just touches the line, dB.
const grazing = 6.0

// trees is the loss in leaf: through the trees, and at least what their crowns take of the
// Fresnel zone where the line passes close above them, which ITU-R P.833 counts as an edge.
func (p Path) trees(v *Verdict) float64 {
	over := p.edges(v.Looks, crowns) - v.Diffracted
	return max(Leaves(p.MHz, v.TreeDepth), min(max(over, 0), grazing))
}

// look is one place of the path.
func (p Path) look(at float64) (Look, Point) {
	g := p.at(at)
	last := p.Profile[len(p.Profile)-1]
	from, to := p.Profile[0].Ground+p.From.Height, last.Ground+p.To.Height
	l := Look{At: at, Line: from + (to-from)*at/last.At, Trees: g.Trees, Radius: Fresnel(p.MHz, at, last.At-at)}
	l.Ground = g.Ground + Bulge(at, last.At-at, 4.0/3)
	l.Clear = (l.Line - l.Ground) / max(l.Radius, 1e-9)
	l.Through = g.Trees > 0 && l.Line < l.Ground+g.Trees
	return l, g
}

// at is the profile at a distance. Trees belong to the stretch that begins at their point.
func (p Path) at(at float64) Point {
	for i := 1; i < len(p.Profile); i++ {
		a, b := p.Profile[i-1], p.Profile[i]
		if at <= b.At {
			f := 0.0
			if b.At > a.At {
				f = (at - a.At) / (b.At - a.At)
			}
			return Point{At: at, Ground: a.Ground + f*(b.Ground-a.Ground), Trees: a.Trees, Needles: a.Needles}
		}
	}
	return p.Profile[len(p.Profile)-1]
}

// season is the weaker of both directions with a loss in trees.
func (p Path) season(v *Verdict, trees float64) Season {
	loss := v.FreeSpace + v.Diffracted + v.Gases + trees
	s := Season{Trees: trees, Signal: math.Inf(1), Margin: math.Inf(1)}
	for _, way := range [2][2]End{{p.From, p.To}, {p.To, p.From}} {
		signal := way[0].EIRP() - loss + way[1].Gain - way[1].Loss
		s.Signal = min(s.Signal, signal)
		s.Margin = min(s.Margin, signal-way[1].Needs)
	}
	return s
}

// enough is the fade margin of a short path that is to be relied on, dB (common practice),
// and free the share of the first zone that should be clear.
const enough, free = 15.0, 0.6

func (v *Verdict) judge() {
	switch {
	case v.Clear < 0:
		v.Problems = append(v.Problems, "the ground stands in the line of sight: raise an antenna or go round")
	case v.Clear < free:
		v.Problems = append(v.Problems, "less than 60 % of the first Fresnel zone is clear of the ground")
	}
	if v.TreeDepth > 0 {
		v.Problems = append(v.Problems, "the line passes through trees: it is worst in leaf and wet, and they grow")
	}
	if v.TreeDepth == 0 && v.CrownClear < free && v.CrownClear < v.Clear {
		v.Problems = append(v.Problems, "crowns reach into the first Fresnel zone: they take some of the signal, and they grow into the line")
	}
	if v.Rain >= 1 && v.Summer.Margin >= 0 && v.Summer.Margin < v.Rain {
		v.Problems = append(v.Problems, fmt.Sprintf("a shower of %.0f mm/h takes %.0f dB more: the link falls silent in it", Shower, v.Rain))
	}
	switch {
	case v.Summer.Margin < 0:
		v.Problems = append(v.Problems, "the signal in leaf is too weak for the wanted rate")
	case v.Summer.Margin < enough:
		v.Problems = append(v.Problems, "less than 15 dB are left for fading in leaf")
	}
}

// Reminder is what no calculation settles.
func Reminder() []string {
	return []string{
		"Radiated power (transmitter less cable plus antenna), outdoor channels and indoor-only bands follow local law; antenna gain counts.",
		"On channels shared with radar the link falls silent before it may start (60 s, up to 10 min on weather-radar channels) and after a radar is heard (30 min): a link that returns late after a cold start may be only listening. Do not switch this off.",
	}
}
