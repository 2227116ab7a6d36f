package survey

import (
	"math"
	"math/bits"
	"os"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/modbus"
	"ebbwatch/collector/reading"
)

// tally counts what became of the quantities that were typed.
type tally struct{ right, undecided, missing, wrong int }

func (t tally) all() int { return t.right + t.undecided + t.missing + t.wrong }

func (t *tally) add(o tally) {
	t.right += o.right
	t.undecided += o.undecided
	t.missing += o.missing
	t.wrong += o.wrong
}

// count takes in a finding, and tells whether it was wrong.
func (t *tally) count(f Finding, wrong bool) bool {
	switch {
	case wrong:
		t.wrong++
	case f.Verdict == Decided:
		t.right++
	case f.Verdict == Undecided:
		t.undecided++
	default:
		t.missing++
	}
	return wrong
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
		if into.count(f, wrong[f.Quantity] != "") {
			t.Logf("map %d: wrong and confident: %s; it is %v (there %v)", seed, wrong[f.Quantity], h.lines[f.Quantity], is)
		}
	}
	return there, absent
}

// twoLooks hides maps, takes two looks at each, one in good light with the load cut and one a
// while later with the panel all but covered, and tells what was found.
func twoLooks(t *testing.T, first, maps uint64, mixed bool) (there, absent tally) {
	t.Helper()
	var dark tally
	for seed := first; seed < first+maps; seed++ {
		h := newHiddenOf(seed, mixed)
		h.brightly()
		looks := []Look{h.look()}
		h.dimly()
		looks = append(looks, h.look())
		h.site.Cover(0)
		found := Find(looks, 0)
		a, b := compare(t, seed, h, found)
		there.add(a)
		absent.add(b)
		h.site.CutLoad(false)
		h.until(func() bool { return h.site.Truth().GHI == 0 })
		a, b = compare(t, seed, h, InTheDark(found, h.look(), 0))
		dark.add(a)
		dark.add(b)
	}
	t.Logf("after a look in the dark: %+v", dark)
	if dark.wrong > there.wrong+absent.wrong || dark.right < there.right+absent.right-int(maps)/100 {
		t.Errorf("a look in the dark made right lines wrong, or lost them: %+v", dark)
	}
	if !mixed && dark.wrong > 0 { // only then a map is called done
		t.Errorf("after a look in the dark %d are wrong and confident", dark.wrong)
	}
	t.Logf("of %d quantities that %d devices have: %.1f %% found, %+v; of those that they do not have: %+v",
		there.all(), maps, 100*float64(there.right)/float64(there.all()), there, absent)
	if wrong, all := there.wrong+absent.wrong, there.all()+absent.all(); wrong > all/10_000 {
		t.Errorf("of %d quantities %d are wrong and confident", all, wrong)
	}
	return there, absent
}

// study widens a test when somebody asks for it.
func study(usual, wide uint64) uint64 {
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		return wide
	}
	return usual
}

// Two hundred devices that nobody knows. After two looks nothing may be wrong, and at least
// 95 % of what the devices have must be found. No seed from here on was used to weigh anything.
// Over thousands of devices one quantity in ten thousand may be wrong until the look in the dark,
// before which no map is called done; after it none is.
func TestHiddenMaps(t *testing.T) {
	t.Parallel()
	there, _ := twoLooks(t, 900_000, study(200, 4000), false)
	if float64(there.right) < 0.95*float64(there.all()) {
		t.Errorf("found %d of %d", there.right, there.all())
	}
}

// A device that changes its word order from line to line breaks what the finder takes for
// granted. It may find less then, but nothing wrong.
func TestHiddenMapsOfMixedWordOrder(t *testing.T) {
	t.Parallel()
	twoLooks(t, 800_000, study(40, 1000), true)
}

// Temperatures hardly move within the hour, and stay undecided then; after a day's swing and
// a third look they are found, and none wrongly.
func TestTemperaturesNeedTime(t *testing.T) {
	t.Parallel()
	var soon, later tally
	for seed := range uint64(40) {
		h := newHidden(7000 + seed)
		h.shown = map[reading.Quantity]bool{reading.BatteryCelsius: false, reading.ControllerCelsius: false}
		for q := range h.shown {
			if _, has := h.lines[q]; !has {
				delete(h.shown, q)
			}
		}
		if len(h.shown) == 0 {
			continue
		}
		h.until(func() bool { return h.site.Now().Hour() == 5 })
		looks := []Look{h.look()}
		h.pass(20 * time.Minute)
		looks = append(looks, h.look())
		found := Find(looks, 0)
		for range 2 {
			h.pass(5 * time.Hour)
			looks = append(looks, h.look())
		}
		again := Find(looks, 0)
		a, _ := compare(t, seed, h, found)
		b, _ := compare(t, seed, h, again)
		soon.add(a)
		later.add(b)
	}
	t.Logf("after 20 minutes %+v, after a day %+v", soon, later)
	all := later.right + later.undecided + later.missing
	if soon.right > all/2 || later.right < all*8/10 || soon.wrong+later.wrong > 0 {
		t.Errorf("found %d after 20 minutes and %d after a day, of %d", soon.right, later.right, all)
	}
}

// Where two registers cannot be told apart, none is picked, and both are named.
func TestTwinsStayUndecided(t *testing.T) {
	t.Parallel()
	look := func(raw uint16, typed float64) Look {
		return Look{Typed: map[reading.Quantity]Typed{reading.BatteryVolts: {typed, 0.01}}, Images: []Image{{
			{modbus.Holding, 7}: raw, {modbus.Holding, 31}: raw, {modbus.Holding, 32}: 1350,
		}}}
	}
	f := Find([]Look{look(1342, 13.42), look(1297, 12.97)}, 0)[0]
	if f.Verdict != Undecided || !strings.Contains(f.Why, "address: 7,") || !strings.Contains(f.Why, "address: 31,") {
		t.Errorf("%v", f)
	}
}

// A constant that happens to fit must not be taken for a measurement that hardly moved.
func TestAConstantIsNotPicked(t *testing.T) {
	t.Parallel()
	look := func(typed float64) Look {
		return Look{Typed: map[reading.Quantity]Typed{reading.BatteryVolts: {typed, 0.01}}, Images: []Image{{
			{modbus.Holding, 7}: 1350, {modbus.Holding, 8}: 0, {modbus.Holding, 9}: 40000,
		}}}
	}
	f := Find([]Look{look(13.50), look(13.51)}, 0)[0]
	if f.Verdict != Undecided || !strings.Contains(f.Why, "so would a constant") {
		t.Errorf("%v", f)
	}
	if f := Find([]Look{look(13.50), look(13.10)}, 0)[0]; f.Verdict != Missing {
		t.Errorf("what moved is no constant: %v", f)
	}
}

// A current of which only positive numbers were seen may be a magnitude without a sign. A
// negative number in the register says that it has one.
func TestTheSignOfTheCurrentMustBeSeen(t *testing.T) {
	t.Parallel()
	look := func(raw int16, typed float64) Look {
		img := Image{{modbus.Input, 4}: uint16(raw)}
		for i := range 20 {
			img[Address{modbus.Input, 100 + i}] = uint16(7777 + 13*i)
		}
		return Look{Typed: map[reading.Quantity]Typed{reading.BatteryAmps: {typed, 0.01}}, Images: []Image{img}}
	}
	for _, looks := range [][]Look{{look(431, 4.31), look(217, 2.17)}, {look(431, -4.31), look(217, -2.17)}} {
		f := Find(looks, 0)[0]
		if f.Verdict != Undecided || !strings.Contains(f.Why, "only one direction") {
			t.Errorf("%v", f)
		}
	}
	for scale, looks := range map[float64][]Look{
		0.01:  {look(-431, -4.31), look(-217, -2.17)},
		-0.01: {look(-431, 4.31), look(117, -1.17)},
	} {
		f := Find(looks, 0)[0]
		if want := (Candidate{At: Address{modbus.Input, 4}, Type: "s16", Scale: scale}); f.Verdict != Decided || f.Pick != want {
			t.Errorf("%v", f)
		}
	}
}

// Bytes in the wrong order are no obstacle, since a device keeps to one order.
func TestBytesInTheOtherOrder(t *testing.T) {
	t.Parallel()
	look := func(volts, amps float64) Look {
		word := func(x float64) uint16 { return bits.ReverseBytes16(uint16(int16(math.Round(100 * x)))) }
		img := Image{{modbus.Holding, 4}: word(volts), {modbus.Holding, 5}: word(amps), {modbus.Holding, 6}: 0x1234}
		return Look{Images: []Image{img}, Typed: map[reading.Quantity]Typed{
			reading.BatteryVolts: {volts, 0.01}, reading.BatteryAmps: {amps, 0.01},
		}}
	}
	for _, f := range Find([]Look{look(13.42, 3.05), look(12.97, -1.21)}, 0) {
		if f.Verdict != Decided || !f.Pick.LowByte || !strings.Contains(f.String(), "bytes: low_first") {
			t.Errorf("%v", f)
		}
	}
}

// A scale that is on no list is named, and left to a further look.
func TestAScaleOnNoListIsNotPicked(t *testing.T) {
	t.Parallel()
	look := func(raw uint16) Look {
		img := Image{{modbus.Holding, 4}: raw, {modbus.Holding, 5}: 3100, {modbus.Holding, 6}: 17}
		return Look{Images: []Image{img}, Typed: map[reading.Quantity]Typed{
			reading.LoadAmps: {math.Round(float64(raw)*30/1023*100) / 100, 0.01},
		}}
	}
	f := Find([]Look{look(211), look(48)}, 0)[0]
	if f.Verdict != Undecided || !strings.Contains(f.Why, "scale") {
		t.Errorf("%v", f)
	}
}

// What a display shows decides between a register and its copy in coarser units.
func TestTheFinerRegisterIsPicked(t *testing.T) {
	t.Parallel()
	look := func(volts float64) Look {
		fine := uint16(math.Round(volts * 100))
		img := Image{{modbus.Holding, 4}: (fine + 5) / 10, {modbus.Holding, 9}: fine}
		return Look{Images: []Image{img}, Typed: map[reading.Quantity]Typed{reading.BatteryVolts: {volts, 0.01}}}
	}
	f := Find([]Look{look(13.43), look(12.88)}, 0)[0]
	if want := (Candidate{At: Address{modbus.Holding, 9}, Type: "s16", Scale: 0.01}); f.Verdict != Decided || f.Pick != want {
		t.Errorf("%v", f)
	}
}
