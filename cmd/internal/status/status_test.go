package status_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/status"
	"ebbwatch/collector/nodestate"
)

// overTheWire is the state as the command gets it: through JSON.
func overTheWire(t *testing.T, s *facts.Snapshot) nodestate.State {
	t.Helper()
	b, err := json.Marshal(facts.StateOf(s))
	if err != nil {
		t.Fatal(err)
	}
	var st nodestate.State
	if err := json.Unmarshal(b, &st); err != nil {
		t.Fatal(err)
	}
	return st
}

func write(t *testing.T, st nodestate.State, o status.Options) string {
	t.Helper()
	var b strings.Builder
	if err := status.Write(&b, st, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// EBBWATCH_GOLDEN=1 writes the screens anew; look at what changed.
func TestScreens(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]*facts.Snapshot{"rich": factstest.Rich(), "empty": factstest.Empty(), "alarmed": factstest.Alarmed()} {
		got := write(t, overTheWire(t, s), status.Options{})
		file := filepath.Join("testdata", name+".txt")
		if os.Getenv("EBBWATCH_GOLDEN") != "" {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("the %s screen is now:\n%s", name, got)
		}
	}
}

// One screen, whatever there is to tell, and no colour unless it is asked for.
func TestOneScreen(t *testing.T) {
	t.Parallel()
	s := factstest.Alarmed()
	for range 20 {
		s.Alarms = append(s.Alarms, s.Alarms[0])
		s.Problems = append(s.Problems, strings.Repeat("long ", 50))
	}
	for _, width := range []int{40, 80, 200} {
		text := write(t, overTheWire(t, s), status.Options{Width: width})
		lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
		if len(lines) > 24 || strings.Contains(text, "\x1b") {
			t.Errorf("%d lines, colours %v", len(lines), strings.Contains(text, "\x1b"))
		}
		for _, l := range lines {
			if utf8.RuneCountInString(l) > width {
				t.Errorf("a line of %d on a width of %d: %s", utf8.RuneCountInString(l), width, l)
			}
		}
	}
}

func TestColourSaysNothingOfItsOwn(t *testing.T) {
	t.Parallel()
	st := overTheWire(t, factstest.Alarmed())
	plain, colour := write(t, st, status.Options{}), write(t, st, status.Options{Color: true})
	if !strings.Contains(colour, "\x1b[31;1m■ Below") {
		t.Errorf("no colour: %q", colour)
	}
	for _, c := range []string{"\x1b[31;1m", "\x1b[33;1m", "\x1b[32m", "\x1b[0m"} {
		colour = strings.ReplaceAll(colour, c, "")
	}
	if colour != plain {
		t.Errorf("without its colours the screen is\n%s\nwant\n%s", colour, plain)
	}
}

// Names come from another machine; they must not steer the terminal.
func TestNamesDoNotSteerTheTerminal(t *testing.T) {
	t.Parallel()
	const evil = "x\x1b[2J\u009b2J\r\n\x07"
	s := factstest.Alarmed()
	s.Site, s.Problems = evil, []string{evil}
	s.Sources[1].Name, s.Sources[1].Err, s.Peers[0].Name = evil, evil, evil
	s.Alarms[0].Title, s.Alarms[0].Advice, s.Alarms[0].Of = evil, []string{evil}, evil
	s.Channels[0].Err = evil
	if text := write(t, overTheWire(t, s), status.Options{}); strings.ContainsAny(text, "\x1b\u009b\r\x07") {
		t.Errorf("control characters came through: %q", text)
	}
}

func TestCode(t *testing.T) {
	t.Parallel()
	for l, want := range map[facts.Level]int{facts.OK: 0, facts.Warning: 1, facts.Critical: 2, facts.Unknown: 3, "": 3} {
		if got := status.Code(l); got != want {
			t.Errorf("Code(%q) = %d, want %d", l, got, want)
		}
	}
}

// What the daemon costs stands beside its budgets, and that it saves power is said.
func TestCosts(t *testing.T) {
	t.Parallel()
	s := factstest.Rich()
	for name, x := range map[string]float64{
		"own_cpu_ratio": 0.0012, "own_resident_bytes": 22.4e6, "own_wakeups_per_second": 3.2, "own_written_bytes_per_day": 1.4e6,
		"own_sent_bytes_per_day": 9.9e6, "own_sent_bytes_total": 5e6, "writes_thinned": 1,
	} {
		s.Extra[name] = x
	}
	text := write(t, overTheWire(t, s), status.Options{Width: 100})
	for _, want := range []string{
		"daemon   processor 0.12 % of 1 %   memory 22.4 MB of 40 MB   wake-ups 3.2/s of 20/s\n",
		"         written a day 1.4 MB of 8 MB   sent a day 9.9 MB of 20 MB\n",
		"asks and writes a third as often, to save power\n",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("not %q in\n%s", want, text)
		}
	}
}
