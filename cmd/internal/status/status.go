package status

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/nodestate"
)

// Options says how the terminal is.
type Options struct {
	Color bool // the terminal shows colours
	Width int  // in characters; 0: 80
}

// Code is the exit code for a level: 0 well, 1 warning, 2 critical, 3 not known.
func Code(l facts.Level) int {
	switch l {
	case facts.OK:
		return 0
	case facts.Warning:
		return 1
	case facts.Critical:
		return 2
	}
	return 3
}

// maxLines is one screen.
const maxLines = 24

// Write tells the state in at most 24 lines, the gravest first: what is the matter and what to
// do stand before the figures, which go first where the screen ends. Nothing is cut off within
// a sentence. Everything that colour says is said by a word or a sign as well.
func Write(out io.Writer, st nodestate.State, o Options) error {
	if o.Width == 0 {
		o.Width = 80
	}
	s := &screen{st: st, o: o}
	s.head()
	s.alarms()
	s.problems()
	s.battery()
	s.outlook()
	s.path()
	s.sources()
	s.costs()
	if len(s.lines) > maxLines {
		more := len(s.lines) - maxLines + 1
		s.lines = append(s.lines[:maxLines-1], fmt.Sprintf("… %d more lines: see the page", more))
	}
	_, err := io.WriteString(out, strings.Join(s.lines, "\n")+"\n")
	return err
}

// screen gathers the lines.
type screen struct {
	st    nodestate.State
	o     Options
	lines []string
}

// ANSI colours: a level is told by its sign and its words as well.
func (s *screen) paint(l facts.Level, text string) string {
	code := map[facts.Level]string{facts.OK: "32", facts.Warning: "33;1", facts.Critical: "31;1"}[l]
	if !s.o.Color || code == "" {
		return text
	}
	return "\x1b[" + code + "m" + text + "\x1b[0m"
}

func sign(l facts.Level) string {
	return map[facts.Level]string{facts.OK: "✓", facts.Warning: "▲", facts.Critical: "■"}[l]
}

// names is the width of the names in front of the rows.
const names = 9

// row tells parts after a name, on as many lines as they take; empty ones are skipped.
func (s *screen) row(name string, parts ...string) {
	s.put("", fmt.Sprintf("%-*s", names, name), strings.Repeat(" ", names), parts...)
}

// put adds parts after a lead, and begins each further line with the hang. A part is not broken
// where it fits on a line of its own.
func (s *screen) put(l facts.Level, lead, hang string, parts ...string) {
	line, used := lead, false
	add := func(gap, text string) bool {
		if used && utf8.RuneCountInString(line+gap+text) > s.o.Width {
			return false
		}
		if used {
			text = gap + text
		}
		line, used = line+text, true
		return true
	}
	end := func() {
		if used {
			s.lines = append(s.lines, s.paint(l, line))
		}
		line, used = hang, false
	}
	for _, part := range parts {
		if part = clean(part); part == "" || add("   ", part) && utf8.RuneCountInString(line) <= s.o.Width {
			continue
		}
		if used && line == lead+part { // alone, and still too long
			line, used = lead, false
		} else {
			end()
		}
		for word := range strings.FieldsSeq(part) {
			for !add(" ", word) {
				end()
			}
		}
	}
	end()
}

// clean keeps what comes over the wire from steering the terminal.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 {
			return '?'
		}
		return r
	}, text)
}

func (s *screen) head() {
	when := "clock not set"
	if s.st.ClockTrusted {
		when = s.st.At.Format("Mon 2 Jan 2006 15:04:05 -07:00")
	}
	site := clean(s.st.Site)
	if pad := s.o.Width - utf8.RuneCountInString(site+when); pad > 0 {
		s.lines = append(s.lines, site+strings.Repeat(" ", pad)+when)
	} else {
		s.put("", "", "", site, when)
	}
	level := facts.Level(s.st.Level)
	mark := sign(level)
	if mark == "" {
		mark = "?"
	}
	s.put(level, mark+" ", "  ", s.st.Headline)
	if !s.st.Ready {
		s.row("starting", s.st.Unready...)
		return
	}
	name := s.st.Knowledge.State
	for _, why := range s.st.Knowledge.Why {
		if len(name) >= names {
			name = "unknown"
		}
		s.row(name, why)
		name = ""
	}
}

// is formats a number where it is known.
func is(format string, x nodestate.Num) string {
	if x == nil {
		return ""
	}
	return minus(fmt.Sprintf(format, *x))
}

func minus(text string) string { return strings.ReplaceAll(text, "-", "−") }

func (s *screen) fact(name, format string, scale float64) string {
	x, known := s.st.Facts[name]
	if !known {
		return ""
	}
	return minus(fmt.Sprintf(format, x*scale))
}

func (s *screen) battery() {
	b := s.st.Battery
	if b.SoC != nil {
		band := ""
		if b.Low != nil && b.High != nil {
			band = fmt.Sprintf("%.0f to %.0f %%", 100**b.Low, 100**b.High)
		}
		reserve := ""
		if b.Reserve != nil {
			reserve = fmt.Sprintf("reserve %.0f %%", 100**b.Reserve)
		}
		believed := ""
		if s.st.Knowledge.State == string(facts.Blind) {
			believed = "believed, not read"
		}
		if b.Low != nil && b.High != nil && facts.Vague(*b.Low, *b.High) {
			s.row("charge", "somewhere from "+band, reserve, believed)
		} else {
			s.row("charge", bar(*b.SoC, 20), fmt.Sprintf("%.0f %%", 100**b.SoC), band, reserve, believed)
		}
	}
	full := ""
	switch {
	case b.Full:
		full = "full now"
	case b.HoursSinceFull != nil:
		full = "full " + facts.Span(time.Duration(*b.HoursSinceFull*float64(time.Hour))) + " ago"
	}
	s.row("battery", is("%.2f V", b.Volts), is("%+.2f A", b.Amps), is("%.1f °C", b.Celsius), full)
	if b.Celsius != nil && *b.Celsius < 0 {
		s.put(facts.Warning, strings.Repeat(" ", names)+"▲ ", strings.Repeat(" ", names+2), "below freezing: LiFePO4 must not be charged below 0 °C")
	}
	today := s.fact("harvest_today_joules", "today %.0f Wh", 1./3600)
	if clear := s.fact("harvest_clear_today_joules", "%.0f Wh", 1./3600); today != "" && s.st.Facts["harvest_clear_today_joules"] > 3600 {
		today += " of " + clear + " under a clear sky"
	}
	s.row("panel", s.fact("pv_watts", "%.0f W", 1), today)
	s.row("load", s.fact("load_watts", "%.1f W", 1), s.fact("load_today_joules", "today %.0f Wh", 1./3600),
		s.fact("unmetered_watts", "past the meters %.1f W", 1))
}

// bar draws a ratio with n characters.
func bar(x float64, n int) string {
	full := int(math.Round(min(max(x, 0), 1) * float64(n)))
	return "[" + strings.Repeat("#", full) + strings.Repeat(".", n-full) + "]"
}

func (s *screen) outlook() {
	if s.st.Outlook == nil {
		return
	}
	window := func(w nodestate.Window) []string {
		if w.P10 == nil && w.P50 == nil {
			return []string{"1 in 10: not within ten days"}
		}
		text := []string{"1 in 10: " + s.when(w.P10), "even: " + s.when(w.P50)}
		if p := w.Within["72h"]; p != nil {
			text = append(text, fmt.Sprintf("in 3 days: %.0f %%", 100**p))
		}
		return text
	}
	s.row("reserve", window(s.st.Outlook.Reserve)...)
	s.row("cut-off", window(s.st.Outlook.Cutoff)...)
	s.row("record", s.st.Outlook.Record)
}

func (s *screen) when(hours nodestate.Num) string {
	if hours == nil {
		return "not within ten days"
	}
	at := s.st.Outlook.At.Add(time.Duration(*hours * float64(time.Hour))).In(s.st.At.Location())
	switch {
	case at.Sub(s.st.At) < time.Hour:
		return "now"
	case !s.st.ClockTrusted:
		return "in " + facts.Span(at.Sub(s.st.At))
	}
	return at.Format("Mon 2 Jan 15:04")
}

func (s *screen) path() {
	var parts []string
	for _, p := range s.st.Peers {
		switch {
		case !p.Known:
			parts = append(parts, p.Name+" ?")
		case !p.Up:
			parts = append(parts, p.Name+" DOWN")
		case p.RTTS != nil:
			parts = append(parts, fmt.Sprintf("%s %.1f ms", p.Name, 1000**p.RTTS))
		default:
			parts = append(parts, p.Name+" up")
		}
	}
	s.row("path", parts...)
}

func (s *screen) sources() {
	var parts []string
	for _, x := range s.st.Sources {
		age := "never"
		if x.AgeS != nil {
			age = facts.Span(time.Duration(*x.AgeS * float64(time.Second)))
		}
		if x.Tried && !x.Up {
			age = "SILENT, " + age
		}
		parts = append(parts, x.Name+" "+age)
	}
	s.row("sources", parts...)
	for _, x := range s.st.Sources {
		if x.Tried && !x.Up && x.Error != "" {
			s.row("", x.Name+": "+x.Error)
		}
	}
	for _, r := range s.st.Readings {
		if r.Suspect != "" {
			s.row("doubted", fmt.Sprintf("%s %s of %s: %s", r.Name, strings.TrimSpace(minus(fmt.Sprintf("%.4g %s", r.Value, r.Unit))), r.Source, r.Suspect))
		}
	}
}

func (s *screen) alarms() {
	for _, a := range s.st.Alarms {
		l := facts.Level(a.Severity)
		mark := sign(l)
		if mark == "" {
			mark = "·"
		}
		of := ""
		if a.Of != "" {
			of = " (" + a.Of + ")"
		}
		s.put(l, mark+" ", "  ", fmt.Sprintf("%s%s, for %s", a.Title, of, facts.Span(max(0, s.st.At.Sub(a.Since)))),
			strings.TrimSpace(facts.Handled(a.Acknowledged, a.MutedUntil)), "id "+a.Short)
		for _, advice := range a.Advice {
			s.put("", "  - ", "    ", advice)
		}
	}
}

func (s *screen) problems() {
	for _, p := range s.st.Problems {
		s.put("", "! ", "  ", p)
	}
	for _, c := range s.st.Channels {
		if c.Waiting > 0 {
			s.put("", "! ", "  ", fmt.Sprintf("%d notices wait for %s: %s", c.Waiting, c.Name, c.Error))
		}
	}
}

// costs tells what the daemon itself takes, last: it is the first to go where the screen ends.
func (s *screen) costs() {
	s.row("daemon", facts.Costs(s.st.Facts)...)
	if s.st.Facts["writes_thinned"] == 1 {
		s.row("", "asks and writes a third as often, to save power")
	}
}
