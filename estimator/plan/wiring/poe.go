package wiring

import (
	"fmt"
	"math"
)

// Class is a class of power over Ethernet. Source: IEEE 802.3, clauses 33 and 145.
type Class struct {
	Class    int
	Source   float64 // W at the supply
	Device   float64 // W at the device over 100 m
	Volts    float64 // least at the supply
	LoopOhms float64 // of 100 m, as the standard reckons
}

// Classes are those of the standard, from the least power up. Class 0 is like 3.
func Classes() [8]Class {
	return [8]Class{
		{1, 4, 3.84, 44, 20}, {2, 7, 6.49, 44, 20}, {3, 15.4, 12.95, 44, 20}, {4, 30, 25.5, 50, 12.5},
		{5, 45, 40, 50, 6.25}, {6, 60, 51, 50, 6.25}, {7, 75, 62, 52, 6.25}, {8, 90, 71.3, 52, 6.25},
	}
}

// Ethernet is a device fed over a data cable.
type Ethernet struct {
	Name   string
	Watts  float64 // at the device, worst
	Mean   float64 // at the device, usual; 0 is like Watts
	Meters float64
	Volts  float64 // of the injector; 0 is 48
	Boost  float64 // efficiency of the converter from the battery; 0 is 0.9 (common practice)
}

// EthernetVerdict is what the device costs.
type EthernetVerdict struct {
	Ethernet
	Class       Class
	ClassOK     bool    // some class carries the worst power
	Supply      float64 // W at the injector, usual
	CableLoss   float64 // W, usual
	AtBattery   float64 // W, usual
	WorstAtBatt float64 // W, worst
	Problems    []string
}

// Judge finds the class and follows the power back to the battery.
func (e Ethernet) Judge() EthernetVerdict {
	if e.Volts == 0 {
		e.Volts = 48
	}
	if e.Boost == 0 {
		e.Boost = 0.9
	}
	if e.Mean == 0 {
		e.Mean = e.Watts
	}
	v := EthernetVerdict{Ethernet: e}
	for _, c := range Classes() {
		if c.Device >= e.Watts {
			v.Class, v.ClassOK = c, true
			break
		}
	}
	if !v.ClassOK {
		v.Class = Classes()[7]
		v.Problems = append(v.Problems, fmt.Sprintf("%s wants %.3g W; no class gives more than 71.3 W at the device", e.Name, e.Watts))
	}
	loop := v.Class.LoopOhms * e.Meters / 100
	mean, ok := Feed(e.Volts, e.Mean, loop)
	worst, okWorst := Feed(e.Volts, e.Watts, loop)
	if !ok || !okWorst || e.Meters > 100 {
		v.Problems = append(v.Problems, fmt.Sprintf("%.3g m is too far: power over Ethernet ends at 100 m", e.Meters))
	}
	v.CableLoss = mean * mean * loop
	v.Supply = e.Mean + v.CableLoss
	v.AtBattery = v.Supply / e.Boost
	v.WorstAtBatt = (e.Watts + worst*worst*loop) / e.Boost
	return v
}

// Chain is a load's power at the battery behind converters of these efficiencies.
func Chain(watts float64, efficiencies ...float64) float64 {
	for _, e := range efficiencies {
		if !(e > 0) {
			return math.NaN()
		}
		watts /= e
	}
	return watts
}
