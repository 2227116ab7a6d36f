package plan

// frost is whether the battery takes charge: it stops below freezing, and begins again only
// where it is as warm as the kit's release temperature, as protections do.
type frost bool

// next is the frost after an hour at a temperature.
func (f frost) next(celsius, release float32) frost {
	return frost(celsius < 0 || bool(f) && celsius < release)
}

// heater is the power that keeps the battery warm, W: what the box loses at the difference
// between what it is kept at and what it would be.
func (w *Weather) heater(celsius float32) float32 {
	if w.LossWK <= 0 {
		return 0
	}
	return max(0, float32(w.WarmTo)-celsius) * float32(w.LossWK)
}
