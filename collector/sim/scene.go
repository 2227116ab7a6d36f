package sim

import (
	"fmt"
	"strings"
	"time"
)

// Scene is one thing that a demonstration can show.
type Scene struct {
	Name string
	Says string    // what happens, and what to look at and when
	sky  []float64 // clearness of the days; after the last they repeat
	do   []Event
}

const day = 24 * time.Hour

// Scenes are all that there are; the first is the usual one. Days count from the first morning.
func Scenes() []Scene {
	return []Scene{
		{Name: "grey", Says: "From the second day on the sky is grey; the sun is back on the fifth. Look at the page on the second\n" +
			"evening: the fan sinks, and what helps is listed with its time."},
		{Name: "cloudy", Says: "A changeable week in which nothing need be done. Look at the strip of days: the lows stay above the reserve.",
			sky: []float64{0.8, 0.5, 0.6, 0.4, 0.7, 0.5, 0.8, 0.6}},
		{Name: "dark", Says: "Six grey days: the warning, then the load goes off, as was said, and comes back with the sun on the eighth.",
			sky: []float64{0.9, 0.1, 0.08, 0.08, 0.07, 0.08, 0.1, 0.9, 0.95, 0.9}},
		{Name: "snow", Says: "Fair days, and on the second morning snow lies on the panel; it slides off on the fifth. Look at the harvest\n" +
			"against a clear sky, and at what clearing the panel would gain.",
			sky: []float64{0.95, 0.85, 0.8, 0.85, 0.9, 0.9, 0.8}, do: []Event{
				{At: day, Do: func(s *Site) { s.Cover(0.97) }}, {At: 4*day + 3*time.Hour, Do: func(s *Site) { s.Cover(0) }},
			}},
		{Name: "silent", Says: "On the second noon the controller falls silent for fifteen hours. Look at the page: it says since when it\n" +
			"knows nothing new, and claims nothing.",
			sky: []float64{0.8, 0.6, 0.7, 0.8}, do: []Event{
				{At: day + 6*time.Hour, Do: func(s *Site) { s.Mute(true) }}, {At: day + 21*time.Hour, Do: func(s *Site) { s.Mute(false) }},
			}},
	}
}

// Apply puts the scene into a node's description.
func (c Scene) Apply(spec *Spec) {
	spec.Events = c.do
	if c.sky != nil {
		spec.Sky = NewWeather(spec.Latitude, spec.Longitude, Story(spec.Latitude, spec.Longitude, spec.Start, c.sky, 11), spec.Seed)
	}
}

func sceneOf(name string) (Scene, error) {
	var names []string
	for _, c := range Scenes() {
		if c.Name == name || name == "" {
			return c, nil
		}
		names = append(names, c.Name)
	}
	return Scene{}, fmt.Errorf("cannot show the scene %q: there are %s", name, strings.Join(names, ", "))
}
