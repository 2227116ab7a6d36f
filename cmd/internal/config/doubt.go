package config

import (
	"fmt"
	"math"
	"time"
)

// Bounds beyond which a value can be used, and is most likely a slip of the pen. Those of the
// battery are far outside what such nodes are built with; the sun is at its highest within two
// hours of noon almost everywhere by the standard time of the place (common practice of the time
// zones, but for the west of China).
const (
	mostAh         = 1000
	fewestAh       = 3
	mostHoursOff   = 2.2
	fewHoursOff    = 1.5 // which exchanged coordinates must come to
	tropics        = 23.5
	steepEnoughDeg = 10
)

// Doubt finds what is allowed, and most likely not meant.
func (c *Config) Doubt(doubt func(key, what string)) {
	if ah := c.Battery.CapacityAh; ah > mostAh || ah < fewestAh {
		doubt("battery.capacity_ah", fmt.Sprintf("%g Ah in %d cells are %.3g kWh: is a decimal sign missing, or one too many?",
			ah, c.Battery.Cells, ah*3.2*float64(c.Battery.Cells)/1000))
	}
	c.doubtPlace(doubt)
	if c.Array != nil {
		c.doubtPanel(doubt)
	}
	if len(c.Notify) == 0 {
		doubt("notify", "nobody is told of anything: name a channel")
	}
}

// doubtPlace holds the longitude against the time zone, where one is given.
func (c *Config) doubtPlace(doubt func(key, what string)) {
	if c.Site.Zone == nil || c.Site.Zone == time.UTC || c.Site.Zone.String() == "UTC" {
		return
	}
	off := c.hoursOff(c.Site.Longitude)
	exchanged := math.Abs(c.Site.Longitude) <= 90 && c.hoursOff(c.Site.Latitude) < fewHoursOff
	switch {
	case off <= mostHoursOff:
	case exchanged:
		doubt("site.longitude", fmt.Sprintf("the sun would be %.1f hours off the time zone %s: are latitude and longitude exchanged?", off, c.Site.Timezone))
	default:
		doubt("site.longitude", fmt.Sprintf("the sun would be %.1f hours off the time zone %s: is the sign right? East is positive", off, c.Site.Timezone))
	}
}

// hoursOff is how far noon by the sun at a longitude is from noon by the standard time of the zone.
func (c *Config) hoursOff(longitude float64) float64 {
	_, january := time.Date(2026, 1, 15, 12, 0, 0, 0, c.Site.Zone).Zone()
	_, july := time.Date(2026, 7, 15, 12, 0, 0, 0, c.Site.Zone).Zone()
	off := math.Abs(longitude/15 - float64(min(january, july))/3600) // the lesser is standard time
	return min(off, 24-off)
}

// doubtPanel finds a panel that is turned away from the noon sun.
func (c *Config) doubtPanel(doubt func(key, what string)) {
	p := c.Place()
	if math.Abs(p.Latitude) < tropics || p.TiltDeg < steepEnoughDeg {
		return
	}
	toEquator := 180.0
	if p.Latitude < 0 {
		toEquator = 0
	}
	away := math.Abs(math.Mod(p.AzimuthDeg-toEquator+540, 360) - 180)
	if away > 90 {
		doubt("array.azimuth_deg", fmt.Sprintf("the panel faces away from the equator (%g°, north is 0, east 90): its sun comes from %g°", p.AzimuthDeg, toEquator))
	}
}
