package sim

import (
	"context"
	"math"
	"math/rand/v2"

	"ebbwatch/collector/reading"
)

// paths answers as a ping source would.
type paths struct{ live *Live }

// hop is one peer: its round trip in seconds, and how much the weather troubles it.
type hop struct {
	name string
	rtt  float64
	loss float64
}

func hops() []hop { return []hop{{"gate", 0.0031, 0.002}, {"boathouse", 0.0078, 0.012}} }

// Read gives up, round trip, loss and jitter of each hop. Rain clouds cost packets; a node
// whose load is off reaches nobody.
func (p *paths) Read(ctx context.Context) ([]reading.Value, error) {
	var out []reading.Value
	p.live.Look(func(s *Site) {
		t := s.Truth()
		grey := 0.0
		if s.cells.soc < 1 && t.GHI < 60 {
			grey = 1
		}
		rng := rand.New(rand.NewPCG(s.spec.Seed, uint64(t.At.Unix())))
		for _, h := range hops() {
			out = append(out, h.values(t.LoadOn, grey, rng)...)
		}
	})
	return out, ctx.Err()
}

func (h hop) values(on bool, grey float64, rng *rand.Rand) []reading.Value {
	v := func(q reading.Quantity, x float64) reading.Value {
		return reading.Value{Quantity: q, Of: h.name, X: x}
	}
	if !on {
		return []reading.Value{v(reading.PeerUp, 0), v(reading.PeerLossRatio, 1)}
	}
	rtt := h.rtt * (1 + 0.1*rng.Float64())
	lost := 0.0
	for range 20 {
		if rng.Float64() < h.loss*(1+2*grey) {
			lost += 0.05
		}
	}
	return []reading.Value{
		v(reading.PeerUp, 1), v(reading.PeerRTTSeconds, rtt), v(reading.PeerLossRatio, min(lost, 1)),
		v(reading.PeerRTTP95Seconds, rtt*(1.4+0.3*rng.Float64())),
		v(reading.PeerJitterSeconds, rtt*0.15*(1+math.Abs(rng.NormFloat64()))),
	}
}
