package alert

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"time"
	"unicode/utf8"
)

// titleLimit is the length of a title that a phone shows whole.
const titleLimit = 60

// words writes the text of one notice. It remembers which facts were asked for.
type words struct {
	u     *use
	facts map[string]float64
}

// Helpers names the helpers that the texts of rules may use, with what each writes. A fact
// is given by its name in quotes; one that is not known is written "not known".
func Helpers() map[string]string {
	return map[string]string{
		"site":    "the name of the site",
		"of":      "the source or peer of a rule for each",
		"say":     "further words of a rule that is not about facts",
		"rung":    "the name of the rung",
		"subject": "the rule's summary", "alarm": "the short id of the alarm",
		"known":   "whether a fact is known",
		"fact":    "a fact as a number, 0 when it is not known, to compare with",
		"told":    "a fact as it was told at the raise; stands where a fact's name does",
		"number":  "a fact as it is, with three significant digits",
		"volts":   "a fact in volts: 12.84 V",
		"amps":    "a fact in amperes: 1.7 A",
		"watts":   "a fact in watts: 21 W",
		"celsius": "a fact in degrees: -4 °C",
		"percent": "a ratio: 34 %",
		"chance":  "a ratio in words: about 2 in 3",
		"falls":   "two ratios, before and after, as what an action does to a chance; nothing when that is nothing",
		"helps":   "of two ratios, before and after, whether they differ in words",
		"hours":   "a fact in hours as a span: 9 hours, 3 days",
		"seconds": "a fact in seconds as a span: 40 seconds, 5 minutes",
		"millis":  "a fact in seconds: 38 ms",
		"ago":     "a fact in hours before now as a local time: Sun 04:00",
		"clock":   "a fact in hours from now as a local time: Sun 04:00",
		"window":  "two facts in hours from now: Sun 02:00 to 07:00; the second may be unknown",
		"first":   "when the alarm was first told, local time",
		"since":   "when the alarm began, local time",
		"lasted":  "how long the alarm has lasted",
		"now":     "the local time of the message",
		"values":  "the facts that the conditions ask for, with their values",
		"oclock":  "a fact in hours of the day: 22:00",
	}
}

func (w *words) funcs() template.FuncMap {
	return template.FuncMap{
		"site":    func() string { return w.u.site() },
		"say":     w.say,
		"of":      w.of,
		"rung":    func() string { return w.u.rung().Name },
		"subject": func() string { return w.u.r.Summary },
		"alarm":   func() string { return Short(w.u.t.ID) },
		"known":   func(name string) bool { _, ok := w.ask(name); return ok },
		"fact":    func(name string) float64 { x, _ := w.ask(name); return x },
		"told":    w.told,
		"number":  w.format(func(x float64) string { return fmt.Sprintf("%.3g", x) }),
		"volts":   w.format(func(x float64) string { return fmt.Sprintf("%.2f V", x) }),
		"amps":    w.format(func(x float64) string { return fmt.Sprintf("%.1f A", x) }),
		"watts":   w.format(wattsWords),
		"celsius": w.format(func(x float64) string { return fmt.Sprintf("%.0f °C", x) }),
		"percent": w.format(func(x float64) string { return fmt.Sprintf("%.0f %%", 100*x) }),
		"chance":  w.format(chance),
		"falls":   w.falls,
		"helps":   w.helps,
		"hours":   w.format(func(x float64) string { return span(duration(x, time.Hour)) }),
		"seconds": w.format(func(x float64) string { return span(duration(x, time.Second)) }),
		"millis":  w.format(func(x float64) string { return fmt.Sprintf("%.0f ms", 1000*x) }),
		"ago":     w.format(func(x float64) string { return w.clock(w.ahead(-x)) }),
		"clock":   w.format(func(x float64) string { return w.clock(w.ahead(x)) }),
		"window":  w.window,
		"first":   func() string { return w.clock(w.u.t.First) },
		"since":   func() string { return w.clock(w.u.t.Since) },
		"lasted":  func() string { return span(w.u.s.Elapsed - w.u.t.Began) },
		"now":     func() string { return w.clock(w.u.now) },
		"values":  func() string { return values(w.u.r, w.u.instance, w.ask) },
		"oclock":  w.format(func(x float64) string { return fmt.Sprintf("%02d:%02d", int(x), int(x*60)%60) }),
	}
}

// of is empty where the instance is the site, which is named anyway.
func (w *words) of() string {
	if w.u.r.Each == EachSite {
		return ""
	}
	return w.u.instance
}

func (w *words) say(what string) string {
	if w.u.e.Say == nil {
		return ""
	}
	return w.u.e.Say(what, w.u.instance)
}

func (w *words) full(name string) string {
	return strings.Replace(name, "/*", "/"+w.u.instance, 1)
}

// ask looks a fact up and remembers it for the notice.
func (w *words) ask(name string) (float64, bool) {
	x, known := w.u.get(name)
	if !known || !finite(x) {
		return 0, false
	}
	w.facts[w.full(name)] = x
	return x, true
}

// told gives a fact as it was at the raise, or nil.
func (w *words) told(name string) any {
	if x, known := w.u.t.Facts[w.full(name)]; known {
		return x
	}
	return nil
}

// format makes a helper that takes the name of a fact, or what told gives.
func (w *words) format(f func(float64) string) func(any) string {
	return func(arg any) string {
		switch x := arg.(type) {
		case float64:
			return f(x)
		case string:
			if x, known := w.ask(x); known {
				return f(x)
			}
		}
		return "not known"
	}
}

// ahead is the moment some hours from now, to the quarter of an hour: nothing that is
// expected is known better.
func (w *words) ahead(hours float64) time.Time {
	return w.u.now.Add(duration(hours, time.Hour)).Round(15 * time.Minute)
}

// duration guards against spans that do not fit.
func duration(x float64, unit time.Duration) time.Duration {
	return time.Duration(max(-1e18, min(1e18, x*float64(unit))))
}

func (w *words) clock(t time.Time) string { return Clock(t, w.u.now, w.u.e.zone()) }

// Clock writes a time as a reader at now takes it, in a zone, with the date where the weekday
// is not enough.
func Clock(t, now time.Time, zone *time.Location) string {
	if t = t.In(zone); t.Sub(now).Abs() > 6*24*time.Hour {
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("Mon 15:04")
}

// window writes a span of time such as "Sun 02:00 to 07:00".
func (w *words) window(from, to string) string {
	a, aKnown := w.ask(from)
	b, bKnown := w.ask(to)
	switch {
	case !aKnown && !bKnown:
		return "not known"
	case !aKnown:
		return "before " + w.clock(w.ahead(b))
	case !bKnown:
		return w.clock(w.ahead(a)) + " or later"
	}
	begin, end := w.ahead(a).In(w.u.e.zone()), w.ahead(b).In(w.u.e.zone())
	switch {
	case !end.After(begin):
		return "about " + w.clock(begin)
	case begin.YearDay() == end.YearDay() && begin.Year() == end.Year():
		return w.clock(begin) + " to " + end.Format("15:04")
	}
	return w.clock(begin) + " to " + w.clock(end)
}

// helps is false for an action that leaves the chance, in words, as it was: nobody is sent out
// for that.
func (w *words) helps(before, after string) bool {
	a, aKnown := w.ask(before)
	b, bKnown := w.ask(after)
	return !aKnown || !bKnown || w.dark() || chance(a) != chance(b)
}

// dark tells whether the load is off: then there is no chance of going dark to speak of.
func (w *words) dark() bool {
	off, known := w.u.get("load_dark")
	return known && off > 0
}

// falls writes what an action does to the chance of going dark within a week.
func (w *words) falls(before, after string) string {
	a, aKnown := w.ask(before)
	b, bKnown := w.ask(after)
	switch {
	case !aKnown || !bKnown, w.dark(), chance(a) == chance(b):
		return ""
	}
	return "the chance of going dark within a week falls from " + chance(a) + " to " + chance(b)
}

// chance writes a probability the way people say it.
func chance(p float64) string {
	said := [...]struct {
		p float64
		s string
	}{
		{0.02, "next to none"}, {0.1, "about 1 in 10"}, {0.2, "about 1 in 5"}, {0.25, "about 1 in 4"},
		{0.33, "about 1 in 3"}, {0.5, "about even"}, {0.67, "about 2 in 3"}, {0.75, "about 3 in 4"},
		{0.8, "about 4 in 5"}, {0.9, "about 9 in 10"}, {0.98, "almost certain"},
	}
	best := said[0]
	for _, s := range said {
		if math.Abs(s.p-p) < math.Abs(best.p-p) {
			best = s
		}
	}
	return best.s
}

// span writes a length of time with the precision that a person needs: half days up to ten,
// so that it agrees with the times of day beside it.
func span(d time.Duration) string {
	d = d.Abs()
	switch {
	case d >= 10*24*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 47*time.Hour+30*time.Minute:
		return strconv.FormatFloat(math.Round(d.Hours()/12)/2, 'f', -1, 64) + " days"
	case d >= 90*time.Minute:
		return fmt.Sprintf("%.0f hours", d.Round(time.Hour).Hours())
	case d >= 90*time.Second:
		return fmt.Sprintf("%.0f minutes", d.Round(time.Minute).Minutes())
	case d.Round(time.Second) == time.Second:
		return "1 second"
	}
	return fmt.Sprintf("%.0f seconds", d.Round(time.Second).Seconds())
}

// run fills one text; a text that cannot be filled becomes the rule's summary, so that a
// mistake in a text never swallows a warning.
func (w *words) run(text string) string {
	t, err := template.New("").Funcs(w.funcs()).Parse(text)
	if err != nil {
		return w.u.r.Summary
	}
	var b strings.Builder
	if err := t.Execute(&b, nil); err != nil {
		return w.u.r.Summary
	}
	return tidy(b.String())
}

// tidy takes out the blank lines and spaces that conditions in a text leave behind.
func tidy(s string) string {
	var lines []string
	for line := range strings.Lines(s) {
		if line = strings.Join(strings.Fields(line), " "); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n")
}

// shorten cuts a title to what a phone shows.
func shorten(s string) string {
	if utf8.RuneCountInString(s) < titleLimit {
		return s
	}
	return string([]rune(s)[:titleLimit-2]) + "…"
}

// foot is the small print of a message: how old it is, and how to be left alone.
const (
	foot = "As of {{now}}{{if known `reading_age_seconds`}}; readings {{seconds `reading_age_seconds`}} old{{end}}.\n"
	mute = "To mute: on the node, ebbwatch silence {{alarm}} --for 24h (seen: ebbwatch acknowledge {{alarm}}); for good, mute the rule %s in its configuration."
)

// clockNotKnown goes with a message whose times are those of a clock that nobody set.
const clockNotKnown = "The clock of the node is not known to be right yet: the times in this message may be wrong."

// overTitle and overText say that an alarm is over.
const (
	overTitle = `{{site}}: over: {{subject}}{{with of}} ({{.}}){{end}}`
	overText  = `It began {{since}}, lasted {{lasted}} and is over as of {{now}}.`
)

// ToldAs and a severity is the fact of a notice that its alarm was told with that severity
// before: a receiver that keeps an alert for each of them ends those.
const ToldAs = "told_as_"

// notice writes what is to be said of the alarm now.
func (u *use) notice(phase Phase) Notice {
	w := &words{u: u, facts: map[string]float64{}}
	for _, name := range u.r.Names() {
		w.ask(name)
	}
	n := Notice{
		ID: u.t.ID, Site: u.site(), Rule: u.r.Name, Phase: phase, Severity: u.spoken().Severity,
		At: u.now, Since: u.t.Since, Advice: []string{},
	}
	if phase == Cleared {
		n.Severity = graver(n.Severity, u.t.Gravest)
		n.Title, n.Text = w.run(cmp.Or(u.r.OverTitle, overTitle)), w.run(overText+"\n"+u.r.Over)
	} else {
		n.Title, n.Text = w.run(u.spoken().Title), w.run(u.spoken().Text)
		n.Foot = w.run(foot + cmp.Or(u.r.Mute, fmt.Sprintf(mute, u.r.Name)))
		for _, a := range u.spoken().Advice {
			if a = w.run(a); a != "" {
				n.Advice = append(n.Advice, a)
			}
		}
	}
	if !clockTrusted(u.get) && u.r.Name != clockUntrusted().Name { // that one says so itself
		n.Foot = strings.TrimSpace(clockNotKnown + "\n" + n.Foot)
	}
	for _, s := range u.t.Said {
		w.facts[ToldAs+string(s)] = 1
	}
	if u.t.Reminded {
		n.Title = "Still: " + n.Title
	}
	if u.t.Escalated {
		n.Title, w.facts["escalated"] = "Not acknowledged: "+n.Title, 1
	}
	n.Title = shorten(n.Title)
	n.Facts = w.facts
	return n
}

// Alarm is one active alarm, for the page and the metrics.
type Alarm struct {
	ID, Rule, Of  string
	Severity      Severity
	Since         time.Time
	Lasted        time.Duration
	Told          bool // a message went out
	Acknowledged  bool
	Muted         time.Duration // how long it is still kept back; 0: it is not
	Title, Text   string
	Advice        []string
	Rung          string
	ExplainedAway bool // held back by an alarm that it follows from
}

// Active lists the alarms of a state with their words as of now, the gravest first.
func (e Engine) Active(s State, now time.Time, get Lookup) []Alarm {
	var list []Alarm
	get = e.facts(&s, get)
	for _, r := range e.Rules {
		for _, instance := range e.instances(r) {
			u := e.use(r, instance, now, &s, get)
			if u.t.ID == "" {
				continue
			}
			n := u.notice(Raised)
			list = append(list, Alarm{
				ID: n.ID, Rule: n.Rule, Of: instance, Severity: n.Severity, Since: n.Since,
				Lasted: s.Elapsed - u.t.Began, Told: u.t.Told, Acknowledged: u.t.Acked, Muted: u.mutedFor(),
				Title: n.Title, Text: n.Text, Advice: n.Advice, Rung: u.rung().Name,
				ExplainedAway: u.explained(),
			})
		}
	}
	slices.SortStableFunc(list, func(a, b Alarm) int { return severityRank(b.Severity) - severityRank(a.Severity) })
	return list
}

// Standing are the notices of the alarms that were told and are not over, as of now, for a
// [Resender].
func (e Engine) Standing(s State, now time.Time, get Lookup) []Notice {
	var list []Notice
	get = e.facts(&s, get)
	for _, r := range e.Rules {
		for _, instance := range e.instances(r) {
			if u := e.use(r, instance, now, &s, get); u.t.ID != "" && u.t.Told {
				list = append(list, u.notice(Changed))
			}
		}
	}
	return list
}

// CameAndWent is a notice of the end of what was never told, from the title of its raise: that
// it is over would say nothing to somebody who never heard of it.
func (n Notice) CameAndWent(title string) Notice {
	n.Title = shorten("Came and went: " + title)
	n.Text = "It could not be told while it lasted.\n" + n.Text
	return n
}

// Subject is what the notice is about, whatever alarm of it: the rule, at its instance. Two
// alarms of one subject must not overtake each other.
func (n Notice) Subject() string {
	parts := strings.Split(n.ID, ".") // site, rule, perhaps an instance, moment and count
	return strings.Join(parts[:max(1, len(parts)-2)], ".")
}

// Plain is the whole notice as text for a person: the title, what and why, the advice, and
// the foot.
func (n Notice) Plain() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n%s\n", n.Title, n.Text)
	for _, a := range n.Advice {
		fmt.Fprintf(&b, "- %s\n", a)
	}
	if n.Foot != "" {
		fmt.Fprintf(&b, "\n%s\n", n.Foot)
	}
	return b.String()
}

// wattsWords gives small powers a decimal: a load of 1.4 W past the meters matters.
func wattsWords(x float64) string {
	if x < 9.95 && x > -9.95 {
		return fmt.Sprintf("%.1f W", x)
	}
	return fmt.Sprintf("%.0f W", x)
}
