package main

import (
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/sim"
)

// soakPlan says what a soak is to be: the seed makes the node, its weather and its troubles.
type soakPlan struct {
	seed   uint64
	length time.Duration // in the node's time
	speed  float64
	every  time.Duration // between polls, in the node's time
	card   string        // the image of a card that the state lies on; empty: a small disk that can be filled
}

// toldSoak is what the environment asks for. By default it is a short night of trouble, at a
// speed at which only gross errors show.
//
// EBBWATCH_STUDY=1 is three days at twenty times the speed of life, most of four hours;
// EBBWATCH_SOAK=72h@80 chooses both, here three days in 54 minutes. Beyond some 100 the polls
// come further apart than 10 s, since no machine answers them any faster. EBBWATCH_SEED
// repeats one; EBBWATCH_KEEP names a new folder for the state that it leaves. Give -timeout to the test, for its own is ten minutes.
func toldSoak(t *testing.T) soakPlan {
	t.Helper()
	p := soakPlan{seed: 20260105, length: 80 * time.Minute, speed: 1200}
	told := os.Getenv("EBBWATCH_SOAK")
	if told == "" && os.Getenv("EBBWATCH_STUDY") != "" {
		told = "72h@20"
	}
	if told != "" {
		p.seed = uint64(time.Now().UnixNano())
		length, speed, _ := strings.Cut(told, "@")
		var errs [2]error
		p.length, errs[0] = time.ParseDuration(length)
		if p.speed, errs[1] = strconv.ParseFloat(speed, 64); errs[0] != nil || errs[1] != nil || !(p.speed > 0) {
			t.Fatalf("cannot soak for %q: it must be such as 72h@20", told)
		}
	}
	if given := os.Getenv("EBBWATCH_SEED"); given != "" {
		var err error
		if p.seed, err = strconv.ParseUint(given, 10, 64); err != nil {
			t.Fatalf("EBBWATCH_SEED: %v", err)
		}
	}
	p.every = max(10*time.Second, time.Duration(p.speed*0.1*float64(time.Second)))
	return p
}

// soakNode is a node of one of two sorts, by the dice: a usual one, or one with several times
// the panel and battery that its load needs, which is often full. Some days are grey.
type soakNode struct {
	sim.Spec
	sort    string
	plugged float64 // the load of the trouble, W
}

func soakNodeOf(dice *rand.Rand) soakNode {
	n := soakNode{Spec: sim.DemoSpec(dice.Uint64())}
	if dice.IntN(2) == 0 {
		n.sort, n.plugged = "usual", 12
		n.Panel.WattsPeak, n.Load.DayWatts, n.Load.NightWatts = 240, 8, 7
	} else {
		n.sort, n.plugged = "oversized", 30
		n.Battery.CapacityAh, n.Battery.LabelAh, n.Panel.WattsPeak = 192, 200, 600
	}
	var clear []float64
	for range 14 {
		clear = append(clear, 0.1+0.85*dice.Float64())
	}
	n.Sky = sim.NewWeather(n.Latitude, n.Longitude, sim.Story(n.Latitude, n.Longitude, n.Start, clear, 11), dice.Uint64())
	return n
}
