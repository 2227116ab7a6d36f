package survey

import (
	"math"
	"os"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// tally counts what became of the quantities that were typed.
type tally struct{ right, undecided, missing, wrong int }

func (t *tally) add(o tally) {
	t.right += o.right
	t.undecided += o.undecided
	t.missing += o.missing
	t.wrong += o.wrong
}

// compare holds what was found against what is so, over the device's next weeks: a pick is
// right when it reads what the device measures, whatever that comes to.
func compare(t *testing.T, seed uint64, h *hidden, found []Finding) (there, absent tally) {
	t.Helper()
	wrong := map[reading.Quantity]string{}
	for range 30 {
		h.pass(time.Duration(1+h.rng.IntN(600)) * time.Minute)
		h.site.CutLoad(h.rng.IntN(4) == 0)
		img := h.image()
		for _, f := range found {
			if f.Verdict != Decided {
				continue
			}
			got, known := f.Pick.Value(img)
			want, step := h.now[f.Quantity], f.Pick.step()
			if c, there := h.lines[f.Quantity]; there {
				want, _ = c.Value(img)
				step = max(step, c.step())
			} else {
				step += 0.06*math.Abs(want) + 0.15 // another meter of the same thing, as with panel and charge current of a PWM charger
			}
			if !known || math.Abs(got-want) > step*1.01+1e-6 {
				wrong[f.Quantity] = f.String()
			}
		}
	}
	for _, f := range found {
		_, is := h.lines[f.Quantity]
		into := map[bool]*tally{true: &there, false: &absent}[is]
		switch {
		case wrong[f.Quantity] != "":
			into.wrong++
			t.Errorf("map %d: wrong and confident: %s; it is %v (there %v)", seed, wrong[f.Quantity], h.lines[f.Quantity], is)
		case f.Verdict == Decided:
			into.right++
		case f.Verdict == Undecided:
			into.undecided++
		default:
			into.missing++
		}
	}
	return there, absent
}

// Two hundred devices that nobody knows. After two looks, one while it charges and one while
// it discharges with the load switched off, nothing may be wrong, and at least 95 % of what
// the devices have must be found.
func TestHiddenMaps(t *testing.T) {
	t.Parallel()
	var there, absent tally
	whole := 0
	maps := uint64(200)
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		maps = 2000
	}
	for seed := range maps {
		h := newHidden(5000 + seed)
		h.brightly()
		looks := []Look{h.look()}
		h.dimly()
		looks = append(looks, h.look())
		h.site.Cover(0)
		a, b := compare(t, seed, h, Find(looks, 0))
		if a.undecided+a.missing == 0 {
			whole++
		}
		there.add(a)
		absent.add(b)
	}
	all := there.right + there.undecided + there.missing + there.wrong
	t.Logf("of %d quantities that the devices have: %d found (%.1f %%), %d undecided, %d not found, %d wrong; %d of %d maps whole",
		all, there.right, 100*float64(there.right)/float64(all), there.undecided, there.missing, there.wrong, whole, maps)
	t.Logf("of those that they do not have: %+v", absent)
	if float64(there.right) < 0.95*float64(all) {
		t.Errorf("found %d of %d", there.right, all)
	}
}
