package planning

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/collector/nodestate"
	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/radio"
	"ebbwatch/estimator/plan/wiring"
	"ebbwatch/estimator/sun"
)

// Report is the answer. Shares are 0 to 1, energy is Wh, months run from January.
type Report struct {
	Schema   int       `json:"schema"` // [nodestate.Schema]
	Site     string    `json:"site"`
	Made     time.Time `json:"made"`
	Verdict  string    `json:"verdict"`                    // in one sentence
	Holds    bool      `json:"holds"`                      // the target is kept
	Edge     bool      `json:"on_edge"`                    // which side of the target it is on, the drawn years do not tell
	Takes    float64   `json:"loss_of_load_charging_cold"` // were the battery to take charge below freezing
	Mend     string    `json:"mend"`                       // the cheapest thing that mends it; empty when nothing needs to be
	Free     *plan.Way `json:"without_buying,omitempty"`   // where the target is not kept
	Robust   *plan.Way `json:"most_robust,omitempty"`      // where the target is not kept
	Target   float64   `json:"target"`
	Drawn    float64   `json:"drawn_watts"`
	Carried  float64   `json:"carried_watts"`
	Panel    string    `json:"panel"`
	Battery  string    `json:"battery"`
	Currency string    `json:"currency,omitempty"`
	Learned  string    `json:"learned,omitempty"`
	Notes    []string  `json:"notes,omitempty"`

	Loads    []LoadLine     `json:"loads"`
	Outcome  plan.Outcome   `json:"drawn_years"`
	Lit      string         `json:"lit_until"` // day, in words
	Fails    string         `json:"failed_by"`
	Measured *MeasuredYears `json:"measured_years,omitempty"`
	Second   plan.Outcome   `json:"published_transitions"` // a second opinion, from other skies
	Aims     []plan.Aim     `json:"aims"`
	Effects  []plan.Effect  `json:"effects"`
	Frontier []plan.Pair    `json:"frontier"`
	Warm     []plan.Pair    `json:"frontier_charging_cold,omitempty"` // the same with a battery that takes charge below freezing, where the cold decides
	Swings   []plan.Swing   `json:"tornado"`
	Pair     *PairReport    `json:"pair,omitempty"`
	Wiring   *WiringReport  `json:"wiring,omitempty"`
	Radio    *RadioReport   `json:"radio,omitempty"`

	Assumed  []plan.Assumption `json:"assumptions"`
	Parts    []string          `json:"parts"`
	Cautions []string          `json:"cautions"`

	profile plan.Profile
	kit     *plan.Kit
}

// MeasuredYears is what the same kit came to in the measured record.
type MeasuredYears struct {
	File    string       `json:"file"`
	Left    int          `json:"years_left_out"`
	Outcome plan.Outcome `json:"outcome"`
	Years   []OneYear    `json:"years"`
}

// OneYear is one measured year.
type OneYear struct {
	Name    string  `json:"name"`
	LLP     float64 `json:"loss_of_load"`
	Nights  int     `json:"dark_nights"`
	Longest int     `json:"longest_dark_hours"`
	First   string  `json:"first_dark_day"`
}

// PairReport is the buried pair beside the sun.
type PairReport struct {
	Meters    float64            `json:"meters"`
	Volts     float64            `json:"volts"`
	Verdict   wiring.PairVerdict `json:"-"`
	Says      string             `json:"says"`
	Possible  bool               `json:"possible"`
	DropVolts float64            `json:"drop_volts"`
	Share     float64            `json:"share"`
	LossWatts float64            `json:"loss_watts"`
	WantMM2   float64            `json:"want_mm2"`
	KWhYear   float64            `json:"kwh_a_year"`
	Cost      float64            `json:"cost,omitempty"`
}

// WiringReport is the wiring judged.
type WiringReport struct {
	Runs   []RunReport   `json:"runs"`
	Ladder []string      `json:"ladder"`
	Steps  []wiring.Step `json:"steps"`
}

// RunReport is one cable judged.
type RunReport struct {
	Name      string   `json:"name"`
	Meters    float64  `json:"meters"`
	Size      string   `json:"size"`
	Amps      float64  `json:"amps"`
	DropVolts float64  `json:"drop_volts"`
	Share     float64  `json:"share"`
	LossWatts float64  `json:"loss_watts"`
	Fine      bool     `json:"fine"`
	Want      string   `json:"want"`
	Fuse      string   `json:"fuse"`
	Problems  []string `json:"problems"`
}

// RadioReport is the path judged.
type RadioReport struct {
	From      string        `json:"from"`
	To        string        `json:"to"`
	MHz       float64       `json:"mhz"`
	Verdict   radio.Verdict `json:"verdict"`
	Reminders []string      `json:"reminders"`
}

// Make works the whole plan out.
func Make(ctx context.Context, c *config.Config, d Drawing, o Options) (*Report, error) {
	in, err := gather(ctx, c, d, o)
	if err != nil {
		return nil, err
	}
	if o.Progress == nil {
		o.Progress = func(string, int, int) {}
	}
	k := in.kit
	r := &Report{
		Schema: nodestate.Schema,
		Site:   c.Site.Name, Made: o.Now, Target: k.Target, Drawn: k.Load.Mean(), Currency: d.Prices.Currency,
		Learned: in.learned, Notes: in.notes, Assumed: k.Assumed(), profile: k.Load, kit: k,
	}
	r.Panel = fmt.Sprintf("%.0f W at %.0f°, facing %s, %s", k.Site.WattsPeak, k.Site.TiltDeg, sun.Compass(k.Site.AzimuthDeg), charger(k.Site.MPPT))
	r.Battery = fmt.Sprintf("%.0f Ah, %d cells LiFePO4, off at %.1f V", k.Battery.CapacityAh, k.Battery.Cells, k.Battery.CutoffVolts)
	for i := range d.Loads {
		r.Loads = append(r.Loads, d.Loads[i].line(k.Battery.Cells))
	}
	if err := r.winters(ctx, in, d, o); err != nil {
		return nil, err
	}
	r.draw(c, d)
	if least := k.LeastAh(k.Site.WattsPeak); least > k.Battery.CapacityAh {
		r.Notes = append(r.Notes, fmt.Sprintf("%.0f W of panel may charge this battery faster than half of its capacity an hour, which LiFePO4 is usually made for: %.0f Ah or more, or a charger that holds back.", k.Site.WattsPeak, least))
	}
	r.Parts, r.Cautions = r.parts(d), cautions()
	if len(k.Site.Insolation) != 12 {
		r.Notes = append(r.Notes, "The sun of the place is a rough guess from its latitude. Give insolation_kwh_m2_day in the section site, or sun_file or sun_url in the section plan, before you buy anything.")
	}
	return r, nil
}

func charger(mppt bool) string {
	if mppt {
		return "maximum-power charger"
	}
	return "PWM charger"
}

// winters is the part that takes its time.
func (r *Report) winters(ctx context.Context, in inputs, d Drawing, o Options) error {
	o.Progress("the light of the year", 0, 1)
	y := in.kit.Prepare(1)
	years := y.Synthetic(o.Winters, o.Seed)
	r.Outcome = y.Gather(years, y.Run(years, plan.Try{}))
	r.Outcome.LLPError = finite(r.Outcome.LLPError)
	r.Lit, r.Fails = day(y, r.Outcome.Lit), day(y, r.Outcome.Fails)
	r.Carried = y.Carried(years, plan.Try{})
	r.Holds = r.Outcome.LLP <= in.kit.Target
	r.Edge = math.Abs(r.Outcome.LLP-in.kit.Target) <= 1.64*r.Outcome.LLPError // 90 % of what drawing as many years again would give
	r.Takes = y.LLP(years, plan.Try{Takes: true})
	r.Verdict = in.kit.Verdict(r.Outcome, r.Carried)
	if r.coldDecides() {
		by := ""
		if in.kit.Weather.Guessed {
			by = ", by a rough guess of the temperatures"
		}
		r.Verdict += fmt.Sprintf("; the cold decides"+by+": did the battery take charge below freezing, %s of the year would be dark instead of %s", Percent(r.Takes), Percent(r.Outcome.LLP))
	}
	if in.kit.Weather.Guessed {
		r.Notes = append(r.Notes, guessed(in.kit, o.Winters, o.Seed))
	}
	if r.Edge {
		r.Verdict += fmt.Sprintf("; on the edge of its target of %s, and %d drawn years do not tell which side", Percent(r.Target), o.Winters)
	}
	chained := y.Chained(o.Winters, o.Seed)
	r.Second = y.Gather(chained, y.Run(chained, plan.Try{}))
	r.Second.LLPError = finite(r.Second.LLPError)
	if len(in.days) > 0 {
		r.measured(y, in, o)
	}
	p := d.Prices.plan()
	if o.Brief {
		if !r.Holds {
			r.Mend = fmt.Sprintf("A load of %.1f W reaches the target; other ways are searched without --brief.", r.Carried)
		}
		return nil
	}
	for _, step := range []func(){
		func() {
			r.Effects = y.Effects(years, p, func(done, of int) { o.Progress("what a change does", done, of) })
		},
		func() {
			r.Aims = y.Aims(years, func(done, of int) { o.Progress("where the panel looks", done, of) })
		},
		func() {
			r.Frontier = y.Frontier(years, plan.Try{}, p, func(done, of int) { o.Progress("sizes", done, of) })
			if r.coldDecides() && r.Takes > r.Target {
				r.Warm = y.Frontier(years, plan.Try{Takes: true}, p, func(done, of int) { o.Progress("sizes that charge cold", done, of) })
			}
		},
		func() {
			r.Swings = in.kit.Tornado(o.Winters, o.Seed, func(done, of int) { o.Progress("what is not known", done, of) })
		},
	} {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("cannot finish the plan: %w", err)
		}
		step()
	}
	if !r.Holds {
		r.ways(y, years, p, o)
		r.Mend = r.mend(p)
	}
	return nil
}

// ways are the two answers beside the cheapest one.
func (r *Report) ways(y *plan.Year, years []plan.Winter, p plan.Prices, o Options) {
	if best, ok := r.bestAim(); ok {
		free := y.Free(years, best)
		r.Free = &free
	}
	if w, ok := r.kit.Robust(o.Winters, o.Seed, p); ok {
		r.Robust = &w
	}
}

// Answers are the ways beside the cheapest one, in sentences.
func (r *Report) Answers() (out []string) {
	if f := r.Free; f != nil {
		does := strings.Join(f.Does, ", and ")
		if f.Mends {
			out = append(out, fmt.Sprintf("Without buying: %s; then %s of the year is dark.", does, Percent(f.LLP)))
		} else {
			out = append(out, fmt.Sprintf("Without buying: %s, and a load of %.1f W in all; with the load as it is, %s of the year would still be dark.", does, f.Carried, Percent(f.LLP)))
		}
	}
	if w := r.Robust; w != nil {
		cost := ""
		if w.Cost > 0 {
			cost = fmt.Sprintf(" (%.0f %s for panel and battery)", w.Cost, r.Currency)
		}
		out = append(out, fmt.Sprintf("Most robust: %s%s; then %s of the year is dark, and the target is kept with a tenth less sun and 15 %% more load at once.", strings.Join(w.Does, ", "), cost, Percent(w.LLP)))
	}
	return out
}

// guessed says what a guess of the temperatures may hide, both ways.
func guessed(k *plan.Kit, winters int, seed uint64) string {
	dark := func(by float64) string {
		other := *k
		other.Weather.AirCelsius = slices.Clone(k.Weather.AirCelsius)
		for m := range other.Weather.AirCelsius {
			other.Weather.AirCelsius[m] += by
		}
		y := other.Prepare(1)
		return Percent(y.LLP(y.Synthetic(winters, seed), plan.Try{}))
	}
	return fmt.Sprintf("The temperatures are a rough guess from the place (January %.0f °C). 12 K colder, as in the middle of a continent, %s of the year would be dark; 10 K milder, as on some coasts, %s. Give air_celsius in the section plan before you buy anything.",
		k.Weather.AirCelsius[0], dark(-12), dark(10))
}

// coldDecides tells whether the frost makes most of the dark.
func (r *Report) coldDecides() bool {
	return r.Outcome.LLP > r.Target/10 && r.Takes < 0.6*r.Outcome.LLP
}

func day(y *plan.Year, d int) string {
	if d < 0 {
		return ""
	}
	return y.Date(d).Format("2 January")
}

func (r *Report) measured(y *plan.Year, in inputs, o Options) {
	years, left := y.Measured(in.days, o.Seed)
	if len(years) == 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("No whole year could be taken from %s: a year runs through the winter, and may lack 15 days.", in.measured))
		return
	}
	ts := y.Run(years, plan.Try{})
	m := &MeasuredYears{File: in.measured, Left: left, Outcome: y.Gather(years, ts)}
	m.Outcome.LLPError = finite(m.Outcome.LLPError)
	for i := range ts {
		one := OneYear{Name: years[i].Name, LLP: ts[i].LLP(), Nights: ts[i].Nights, Longest: ts[i].Longest}
		if ts[i].First >= 0 {
			one.First = day(y, ts[i].First)
		}
		m.Years = append(m.Years, one)
	}
	r.Measured = m
}

// mend names the cheapest thing that reaches the target: what costs nothing first, then by
// price, then the smallest purchase.
func (r *Report) mend(p plan.Prices) string {
	var ways []plan.Effect
	for _, e := range r.Effects {
		if e.Mends && !strings.HasPrefix(e.Name, "no obstacle") {
			ways = append(ways, e)
		}
	}
	slices.SortStableFunc(ways, func(a, b plan.Effect) int {
		if a.Free != b.Free {
			if a.Free {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.Cost, b.Cost)
	})
	if best, ok := r.bestAim(); ok && best.LLP <= r.Target {
		return fmt.Sprintf("Cheapest: %s; then %s of the year is dark.", aim(best), Percent(best.LLP))
	}
	if len(ways) > 0 && ways[0].Free {
		return fmt.Sprintf("Cheapest: %s; then %s of the year is dark.", ways[0].Name, Percent(ways[0].LLP))
	}
	if r.Free != nil && r.Free.Mends {
		return fmt.Sprintf("Cheapest: %s; then %s of the year is dark.", strings.Join(r.Free.Does, ", and "), Percent(r.Free.LLP))
	}
	if warm := r.coldMend(); warm != "" {
		return warm
	}
	pair := func(of []plan.Pair) string {
		i := slices.IndexFunc(of, func(x plan.Pair) bool { return x.Best })
		if i < 0 {
			return ""
		}
		text := fmt.Sprintf("%.0f W of panel with %.0f Ah", of[i].Watts, of[i].Ah)
		if p.PanelWatt > 0 && p.BatteryAh > 0 {
			return text + fmt.Sprintf(" (%.0f %s for both)", of[i].Cost, r.Currency)
		}
		return text + " (the nearest to what is there; give prices to compare)"
	}
	plain, warm := pair(r.Frontier), pair(r.Warm)
	load := fmt.Sprintf("a load of %.1f W", r.Carried)
	switch {
	case warm != "" && plain != "":
		return fmt.Sprintf("Cheapest: %s that may be charged below freezing, or kept above it; without that %s; or %s.", warm, plain, load)
	case warm != "":
		return fmt.Sprintf("Cheapest: %s that may be charged below freezing, or kept above it; or %s.", warm, load)
	case plain != "":
		return fmt.Sprintf("Cheapest: %s, or %s.", plain, load)
	}
	return fmt.Sprintf("No panel or battery of sensible size mends it: bring the load down to %.1f W.", r.Carried)
}

// coldMend is what mends a kit in which the cold decides, and nothing else needs to change.
func (r *Report) coldMend() string {
	if !r.coldDecides() || r.Takes > r.Target {
		return ""
	}
	text := fmt.Sprintf("Cheapest: a battery that may be charged below freezing; then %s of the year is dark", Percent(r.Takes))
	for _, e := range r.Effects {
		if e.Mends && strings.HasPrefix(e.Name, "the battery kept at") {
			text += fmt.Sprintf("; or %s by insulation, a place in the ground, or a heater with a thermal cut-off of its own (%s, its energy not counted)", e.Name, Percent(e.LLP))
		}
	}
	return text + "."
}

// bestAim is the direction and the tilt under which the least is dark.
func (r *Report) bestAim() (plan.Aim, bool) {
	i := slices.IndexFunc(r.Aims, func(a plan.Aim) bool { return a.Best })
	if i < 0 {
		return plan.Aim{}, false
	}
	return r.Aims[i], true
}

func aim(a plan.Aim) string {
	return fmt.Sprintf("panel at %.0f°, facing %s", a.TiltDeg, sun.Compass(a.AzimuthDeg))
}

// aimed says in a sentence what a better aim brings.
func (r *Report) aimed() string {
	best, ok := r.bestAim()
	switch {
	case !ok:
		return ""
	case best.LLP >= r.Outcome.LLP-r.Outcome.LLPError/2:
		return "As it stands it is as good as any here."
	}
	return fmt.Sprintf("Best here: %s, then %s of the year is dark; as it stands %s.", aim(best), Percent(best.LLP), Percent(r.Outcome.LLP))
}

// second says what the other model of the skies makes of the same kit.
func (r *Report) second() string {
	return fmt.Sprintf("Second opinion: by published tables of how one day follows another (1988) %s of the year is dark.", Percent(r.Second.LLP))
}

// Percent writes a share for people.
func Percent(x float64) string {
	switch x *= 100; {
	case x == 0:
		return "0 %"
	case x < 0.01:
		return "under 0.01 %"
	case x < 1:
		return fmt.Sprintf("%.2f %%", x)
	}
	return fmt.Sprintf("%.1f %%", x)
}
