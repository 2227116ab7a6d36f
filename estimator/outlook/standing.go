package outlook

// Standing says how far the outlook may be believed. What is not [Well] states no chance.
type Standing uint8

// The standings.
const (
	Well     Standing = iota
	Learning          // there is no label of the panel, and it is still learned from its harvest
	Doubted           // the panel's light speaks against the coordinates or the clock
)

// Standing is that of what was learned so far.
func (m Model) Standing(s *State) Standing {
	switch {
	case s.Place.Doubted && s.Place.Lat == m.Site.Latitude && s.Place.Lon == m.Site.Longitude:
		return Doubted
	case m.Site.WattsPeak <= 0 && !s.Array.Known:
		return Learning
	}
	return Well
}

// Array is the site with the panel that the owner told of, else with the one that was learned; it
// has no watts while there is neither.
func (m Model) Array(s *State) Site {
	if m.Site.WattsPeak <= 0 && s.Array.Known {
		m.Site.WattsPeak, m.Site.TiltDeg, m.Site.AzimuthDeg = s.Array.Watts, s.Array.TiltDeg, s.Array.AzimuthDeg
		m.Site.MPPT = true
	}
	return m.Site
}

// learned is the model with the panel as learned.
func (m Model) learned(s *State) Model {
	m.unlabelled = m.unlabelled || m.Site.WattsPeak <= 0
	m.Site = m.Array(s)
	return m
}
