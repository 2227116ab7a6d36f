package battery

import "math"

// Habit is what usually flows at each hour of the (UTC) day; it stands in for what is not
// seen.
type Habit struct {
	Mean, Square [24]float64 // A, A²
	Weight       [24]float64 // hours seen, fading
}

// habitHours is after how many hours of the same clock hour the habit is another: some ten
// days.
const habitHours = 10

// learn takes a current that flowed for some hours at a clock hour.
func (h *Habit) learn(hour int, amps, hours float64) {
	w := h.Weight[hour]*(1-hours/habitHours) + hours
	h.Mean[hour] += (amps - h.Mean[hour]) * hours / w
	h.Square[hour] += (amps*amps - h.Square[hour]) * hours / w
	h.Weight[hour] = w
}

// at is the usual current at a clock hour and its spread; unseen hours borrow from the
// whole day. guess and its equal spread serve when nothing was ever seen.
func (h *Habit) at(hour int, guess float64) (amps, spread float64) {
	if h.Weight[hour] >= 0.5 {
		m := h.Mean[hour]
		return m, math.Sqrt(max(h.Square[hour]-m*m, 0)) + 0.1*math.Abs(m)
	}
	var w, sum, square float64
	for k := range 24 {
		w += h.Weight[k]
		sum += h.Weight[k] * h.Mean[k]
		square += h.Weight[k] * h.Square[k]
	}
	if w < 1 {
		return guess, guess
	}
	m := sum / w
	return m, math.Sqrt(max(square/w-m*m, 0)) + 0.2*math.Abs(m)
}

// blank tells that nothing was ever seen.
func (h *Habit) blank() bool { return h.Weight == [24]float64{} }

// usual is the mean over the day, or the guess where too little was seen.
func (h *Habit) usual(guess float64) float64 {
	var w, sum float64
	for k := range 24 {
		w += h.Weight[k]
		sum += h.Mean[k] / 24
	}
	if w < 48 {
		return guess
	}
	return sum
}

// over is the usual charge, Ah, of a span that begins at a clock hour, and its spread. What
// is unusual at one moment goes on so for some hours, bound.
func (h *Habit) over(from, hours, bound, guess float64) (ah, spread float64) {
	var square float64
	for done := 0.0; done < hours; {
		left := min(1-math.Mod(from+done, 1), hours-done)
		left = max(left, 1e-6)
		amps, sd := h.at(int(math.Mod(from+done, 24)), guess)
		ah += amps * left
		square += sd * sd * left * bound
		done += left
	}
	return ah, math.Sqrt(square)
}
