package sim

import (
	"time"

	"ebbwatch/collector/reading"
)

// Charger is the charge controller with its load output. Voltages are of the whole battery.
type Charger struct {
	MPPT           bool          // tracks the panel's best point; otherwise the panel is switched straight on (PWM)
	AbsorbVolts    float64       // 14.2
	FloatVolts     float64       // 13.5
	AbsorbFor      time.Duration // longest stay at AbsorbVolts; 2 h
	TaperAmps      float64       // absorption ends below this, though not within half an hour; 1
	MaxAmps        float64       // 30
	CutoffVolts    float64       // the load output opens below this; 11.6
	ReconnectVolts float64       // and closes above this; 12.8
	ColdInhibit    bool          // no charging while the battery is below 0 °C
}

func (c Charger) withDefaults() Charger {
	c.AbsorbVolts = or(c.AbsorbVolts, 14.2)
	c.FloatVolts = or(c.FloatVolts, 13.5)
	c.TaperAmps = or(c.TaperAmps, 1)
	c.MaxAmps = or(c.MaxAmps, 30)
	c.CutoffVolts = or(c.CutoffVolts, 11.6)
	c.ReconnectVolts = or(c.ReconnectVolts, 12.8)
	if c.AbsorbFor == 0 {
		c.AbsorbFor = 2 * time.Hour
	}
	return c
}

// controller is the charger's state.
type controller struct {
	spec     Charger
	stage    reading.ChargeState
	absorbed float64 // seconds in this absorption
	under    float64 // seconds below the cut-off voltage
	loadOn   bool
	volts    float64 // at the end of the last step
}

// flows is what went where in one step.
type flows struct {
	volts, amps            float64
	chargeAmps             float64
	panelWatts, panelVolts float64
	loadWatts              float64
	unmeteredWatts         float64
	full, curtailed        bool
}

// step lets the panel, the loads and the battery find their balance for sec seconds.
func (k *controller) step(c *cells, sun sunlight, radio, unmetered, sec float64) flows {
	c.prepare(sec)
	if k.volts == 0 {
		k.volts = c.volts(0, sec)
	}
	if !k.loadOn {
		radio = 0
	}
	offered := k.offer(c, sun)
	if c.open {
		if c.open = offered <= 0.05; c.open {
			c.flow(0, sec)
			k.stage, k.loadOn, k.volts = reading.Off, false, 0
			return flows{panelVolts: sun.voc}
		}
		k.volts = c.volts(0, sec)
		unmetered = 0
	}
	f := flows{chargeAmps: offered, loadWatts: radio, unmeteredWatts: unmetered}
	k.settle(&f, c, sec)
	if target := k.target(); offered > 0 && k.volts > target {
		drawn := (radio + unmetered) / target
		f.chargeAmps = k.hold(c, target, f.chargeAmps-drawn, drawn, sec) + drawn
		k.settle(&f, c, sec)
		f.curtailed = f.chargeAmps < offered*0.98
	}
	c.flow(f.amps, sec)
	f.volts = k.volts
	k.panel(&f, sun, offered)
	k.stages(&f, c, offered, sec)
	k.disconnect(c, sec)
	return f
}

// settle finds the battery current when the charger's is given: the loads take a power, so
// their current depends on the voltage it causes.
func (k *controller) settle(f *flows, c *cells, sec float64) {
	for range 3 {
		f.amps = f.chargeAmps - (f.loadWatts+f.unmeteredWatts)/max(k.volts, 6)
		k.volts = c.volts(f.amps, sec)
	}
}

// offer is the current that the panel could send into the battery now, A.
func (k *controller) offer(c *cells, sun sunlight) float64 {
	if k.spec.ColdInhibit && c.celsius < 0 || sun.watts < 0.5 {
		return 0
	}
	v := max(k.volts, 10)
	if k.spec.MPPT {
		return min(0.96*sun.watts/v, k.spec.MaxAmps)
	}
	return min(sun.ampsAt(v+0.4), k.spec.MaxAmps)
}

func (k *controller) target() float64 {
	if k.stage == reading.Float {
		return k.spec.FloatVolts
	}
	return k.spec.AbsorbVolts
}

// hold finds the battery current that ends the step at the target voltage.
func (k *controller) hold(c *cells, target, most, drawn, sec float64) float64 {
	lo, hi := -drawn, most
	for range 18 {
		mid := (lo + hi) / 2
		if c.volts(mid, sec) > target {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}

// panel says what the panel gives, and at what voltage.
func (k *controller) panel(f *flows, sun sunlight, offered float64) {
	if offered <= 0 {
		f.panelVolts = sun.voc
		return
	}
	used := min(f.chargeAmps/offered, 1)
	if k.spec.MPPT {
		f.panelWatts = f.chargeAmps * f.volts / 0.96
		f.panelVolts = sun.voc - (sun.voc-sun.vmp)*used
		return
	}
	f.panelVolts = (f.volts+0.4)*used + sun.voc*(1-used)
	f.panelWatts = f.chargeAmps * (f.volts + 0.4)
}

// stages moves through bulk, absorption and float. Float falls back to bulk when the battery
// sags, or at nightfall.
func (k *controller) stages(f *flows, c *cells, offered, sec float64) {
	at := k.volts >= k.spec.AbsorbVolts-0.02
	tapered := f.amps < max(k.spec.TaperAmps, c.spec.LabelAh/50)
	switch {
	case offered <= 0:
		k.stage, k.absorbed = reading.Off, 0
	case k.stage == reading.Off:
		k.stage = reading.Bulk
	case k.stage == reading.Bulk && at:
		k.stage = reading.Absorption
	case k.stage == reading.Absorption:
		k.absorbed += sec
		if k.absorbed > k.spec.AbsorbFor.Seconds() || at && tapered && k.absorbed > 1800 {
			k.stage = reading.Float
		}
		if k.volts < k.spec.FloatVolts-0.3 {
			k.stage = reading.Bulk
		}
	case k.stage == reading.Float && k.volts < k.spec.FloatVolts-0.4:
		k.stage, k.absorbed = reading.Bulk, 0
	}
	f.full = k.stage == reading.Float || k.stage == reading.Absorption && at && tapered
}

// disconnect switches the load output, and opens the battery's own protection at 2.5 V a
// cell.
func (k *controller) disconnect(c *cells, sec float64) {
	if k.volts < k.spec.CutoffVolts {
		k.under += sec
	} else {
		k.under = 0
	}
	switch {
	case k.loadOn && k.under >= 30:
		k.loadOn = false
	case !k.loadOn && k.volts > k.spec.ReconnectVolts:
		k.loadOn = true
	}
	if k.volts < 2.5*float64(c.spec.Series) || c.soc <= 0 {
		c.open = true
	}
}
