package history_test

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

// begin is the wall clock at the monotonic zero of all tests.
func begin() time.Time { return time.Date(2026, 11, 20, 0, 0, 0, 0, time.UTC) }

// at is an invented moment of the node: slow swings, so that every value is its own.
func at(mono time.Duration, trusted bool) *facts.Snapshot {
	return moment(factstest.Rich(), mono, trusted)
}

// moment makes that of a snapshot that is made once: making one takes longer than adding it.
func moment(base *facts.Snapshot, mono time.Duration, trusted bool) *facts.Snapshot {
	s := *base
	s.At = reading.Stamp{Mono: mono, Wall: begin().Add(mono), Trusted: trusted}
	if !trusted {
		s.At.Wall = time.Unix(0, 0).Add(mono)
	}
	for q := range s.Reading {
		s.Reading[q].X, s.Reading[q].Age = value(q, mono), 0
	}
	s.Reading[reading.ChargeStage].X = float64(reading.Bulk)
	s.Reading[reading.LoadOn].X = 1
	s.Energy = map[string]float64{"pv": 1e6 + 7.25*mono.Seconds(), "load": 3.5 * mono.Seconds()}
	s.Belief.SoC = 0.5 + 0.3*math.Sin(mono.Hours()/9)
	for i := range s.Peers {
		s.Peers[i].Age = 0
	}
	return &s
}

// value is what the quantity is at a moment, in whole thousandths.
func value(q int, mono time.Duration) float64 {
	return math.Round(1000*(10+float64(q)+math.Sin(mono.Hours()+float64(q)))) / 1000
}

func open(t testing.TB, o history.Options) *history.Store {
	t.Helper()
	if o.Path == "" {
		o.Path = filepath.Join(t.TempDir(), "history.db")
	}
	if o.Boot == "" {
		o.Boot = "boot one"
	}
	s := history.Open(o)
	t.Cleanup(func() {
		if err := s.Close(context.Background()); err != nil && s.Problem() == "" {
			t.Error(err)
		}
	})
	return s
}

func fill(s *history.Store, from, to, every time.Duration, trusted bool) {
	base := factstest.Rich()
	for m := from; m < to; m += every {
		s.Add(moment(base, m, trusted))
	}
}

func lookup(t testing.TB, s *history.Store, q history.Query) history.Series {
	t.Helper()
	got, err := s.Lookup(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// flushed adds and writes in steps that the mailbox takes.
func flushed(t testing.TB, s *history.Store, from, to time.Duration, trusted bool) {
	t.Helper()
	for m := from; m < to; m += 30 * time.Minute {
		fill(s, m, min(m+30*time.Minute, to), 10*time.Second, trusted)
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

func TestWhatWasAddedIsFound(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{})
	fill(s, 0, 20*time.Minute, 10*time.Second, true) // the last batch still waits in memory
	got := lookup(t, s, history.Query{From: begin(), To: begin().Add(time.Hour), Points: 360})
	if got.Resolution != "raw" || len(got.Times) != 120 {
		t.Fatalf("%s, %d rows; want raw, 120", got.Resolution, len(got.Times))
	}
	volts := got.Column("battery_volts")
	for i, when := range got.Times {
		want := value(0, when.Sub(begin()))
		if volts.Min[i] != want || volts.Max[i] != want || math.Abs(volts.Mean[i]-want) > 1e-9 {
			t.Fatalf("volts at %s: %v, want %v", when, volts.Mean[i], want)
		}
	}
}

// The sums must be what one gets by adding up the samples by hand.
func TestRollUpsAgreeWithTheSamples(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{Peers: []string{"gate", "island"}})
	flushed(t, s, 0, 5*time.Hour, true)
	for _, c := range []struct {
		step   time.Duration
		points int
		name   string
	}{{5 * time.Minute, 60, "5m"}, {time.Hour, 5, "1h"}} {
		got := lookup(t, s, history.Query{From: begin(), To: begin().Add(5 * time.Hour), Points: c.points})
		if got.Resolution != c.name || got.Step != c.step || len(got.Times) != c.points || got.Damaged != 0 {
			t.Fatalf("%s by %v, %d rows, %d damaged; want %s by %v, %d", got.Resolution, got.Step, len(got.Times), got.Damaged, c.name, c.step, c.points)
		}
		pv, col := reading.PanelWatts, got.Column("pv_watts")
		for i := range got.Times {
			lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0.0
			joules := 7.25 * c.step.Seconds()
			if i == 0 {
				joules -= 72.5 // before the first sample nothing is known
			}
			for m := time.Duration(i) * c.step; m < time.Duration(i+1)*c.step; m += 10 * time.Second {
				x := value(int(pv), m)
				lo, hi, sum, n = min(lo, x), max(hi, x), sum+x, n+1
			}
			if col.Min[i] != lo || col.Max[i] != hi || math.Abs(col.Mean[i]-sum/n) > 0.001 {
				t.Errorf("%s row %d: %v %v %v, want %v %v %v", c.name, i, col.Min[i], col.Mean[i], col.Max[i], lo, sum/n, hi)
			}
			if math.Abs(got.Joules["pv"][i]-joules) > 1 || !math.IsNaN(got.Joules["battery_in"][i]) {
				t.Errorf("%s row %d: %v J, want %v", c.name, i, got.Joules["pv"][i], joules)
			}
		}
		if up := got.Column("peer_up/island"); up == nil || up.Mean[0] != 0 || got.Column("peer_up/gate").Mean[0] != 1 {
			t.Errorf("%s: the peers are %+v", c.name, up)
		}
		if rtt := got.Column("peer_rtt_seconds/island"); !math.IsNaN(rtt.Mean[0]) {
			t.Errorf("the round trip to a peer that is down is %v, want unknown", rtt.Mean[0])
		}
	}
}

// A value that is shown again without having been measured again is not a new sample, and
// a total that was begun anew is no energy.
func TestOldValuesAndGaps(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{})
	one := at(0, true)
	two := at(10*time.Second, true)
	two.Reading[reading.AirCelsius].Age = 15 * time.Second
	three := at(40*time.Minute, true)
	three.Energy["pv"] = 5
	for _, x := range []*facts.Snapshot{one, two, three} {
		s.Add(x)
	}
	got := lookup(t, s, history.Query{From: begin(), To: begin().Add(time.Hour), Points: 5000})
	air := got.Column("air_celsius").Mean
	if len(air) != 3 || math.IsNaN(air[0]) || !math.IsNaN(air[1]) || math.IsNaN(air[2]) {
		t.Errorf("air %v, want the second unknown", air)
	}
	if j := got.Joules["pv"]; !math.IsNaN(j[0]) || math.IsNaN(j[1]) || !math.IsNaN(j[2]) {
		t.Errorf("energies %v, want the second alone known", j)
	}
}

func TestSamplesAreNotTooMany(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{})
	fill(s, 0, time.Minute, time.Second, true)
	got := lookup(t, s, history.Query{From: begin(), To: begin().Add(time.Hour), Points: 5000})
	if len(got.Times) != 6 {
		t.Errorf("%d samples of a minute, want 6", len(got.Times))
	}
}

// A board without a clock records, and the record finds its place when the clock is known:
// in the same run, and in a later run of the same boot; never in another boot.
func TestSamplesAreDatedLater(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	all := history.Query{From: begin().Add(-time.Hour), To: begin().Add(24 * time.Hour), Points: 5000}
	first := open(t, history.Options{Path: path})
	flushed(t, first, 0, 12*time.Minute, false)
	if got := lookup(t, first, all); len(got.Times) != 0 {
		t.Errorf("%d samples are dated without a clock", len(got.Times))
	}
	if err := first.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	other := open(t, history.Options{Path: path, Boot: "boot two"})
	other.Add(at(20*time.Hour, true))
	if got := lookup(t, other, all); len(got.Times) != 1 {
		t.Errorf("%d samples, want the one of this boot", len(got.Times))
	}
	if err := other.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	// The same boot again, in a process that started 12 minutes later.
	again := open(t, history.Options{Path: path, MonoBase: 12 * time.Minute})
	shift := func(m time.Duration, trusted bool) *facts.Snapshot {
		x := at(m, trusted)
		x.At.Mono -= 12 * time.Minute
		return x
	}
	for m := 12 * time.Minute; m < 20*time.Minute; m += 10 * time.Second {
		again.Add(shift(m, m >= 18*time.Minute))
	}
	if err := again.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := lookup(t, again, history.Query{From: begin(), To: begin().Add(time.Hour), Points: 5000})
	if len(got.Times) != 120 {
		t.Fatalf("%d samples are dated, want all 120", len(got.Times))
	}
	for i, when := range got.Times {
		if want := begin().Add(time.Duration(i) * 10 * time.Second); when.Sub(want).Abs() > time.Second {
			t.Fatalf("sample %d is dated %s, want %s", i, when, want)
		}
	}
	five := lookup(t, again, history.Query{From: begin(), To: begin().Add(15 * time.Minute), Points: 3})
	if five.Resolution != "5m" || len(five.Times) != 3 {
		t.Errorf("sums: %s, %d rows; want those of three spans", five.Resolution, len(five.Times))
	}
}

// A clock that is set back must not overwrite what is there.
func TestClockSetBack(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{})
	flushed(t, s, 0, 10*time.Minute, true)
	for m := 10 * time.Minute; m < 20*time.Minute; m += 10 * time.Second {
		x := at(m, true)
		x.At.Wall = x.At.Wall.Add(-10 * time.Minute)
		s.Add(x)
	}
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if n, err := s.Export(t.Context(), &b, begin(), begin().Add(time.Hour)); err != nil || n != 120 {
		t.Errorf("%d samples are kept, %v; want all 120", n, err)
	}
}

func TestExportIsWhatReplayReads(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{Peers: []string{"gate"}})
	flushed(t, s, 0, 7*time.Hour, true) // more than one page
	last := at(7*time.Hour, true)
	last.Reading[reading.LoadAmps].Known = false
	s.Add(last)
	var b strings.Builder
	n, err := s.Export(t.Context(), &b, begin(), begin().Add(8*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
	if err != nil || len(rows) != n+1 || n != 2521 {
		t.Fatalf("%d rows, said %d, %v; want 2521", len(rows)-1, n, err)
	}
	want := "time"
	for q := range reading.NumSite {
		want += "," + q.String()
	}
	if head := strings.Join(rows[0], ","); head != want {
		t.Errorf("header %s, want %s", head, want)
	}
	if row := rows[2]; row[0] != "2026-11-20T00:00:10Z" || row[1] != "10.003" || row[14] != "bulk" || row[11] != "1" {
		t.Errorf("row %v", row)
	}
	if cell := rows[len(rows)-1][1+reading.LoadAmps]; cell != "" {
		t.Errorf("an unknown cell is %q, want it empty", cell)
	}
}

// The owner can open the file with any tool. Checked against Debian's sqlite3.
func TestAnyToolCanReadTheFile(t *testing.T) {
	t.Parallel()
	tool := needtest.Program(t, "sqlite3")
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path, Peers: []string{"gate"}})
	flushed(t, s, 0, time.Hour+10*time.Second, true)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), tool, path,
		`PRAGMA integrity_check; SELECT time, battery_volts, battery_soc, "peer_up/gate" FROM readings ORDER BY time LIMIT 1 OFFSET 6; SELECT count(*) FROM five_minutes;`).CombinedOutput()
	if err != nil || string(out) != "ok\n2026-11-20T00:01:00Z|10.017|0.5006|1.0\n12\n" {
		t.Errorf("sqlite3 says %q, %v", out, err)
	}
}

func TestBudget(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path, Budget: 600_000, RawFor: 4 * 24 * time.Hour, Every: time.Minute})
	for m := time.Duration(0); m < 12*24*time.Hour; m += 6 * time.Hour {
		fill(s, m, m+6*time.Hour, time.Minute, true)
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if p := s.Problem(); p != "" {
		t.Fatal(p)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() > 2_000_000 {
		t.Errorf("the file holds %d bytes on a budget of 600 kB", info.Size())
	}
	again := open(t, history.Options{Path: path})
	day := func(n int) history.Query {
		d := begin().Add(time.Duration(n) * 24 * time.Hour)
		return history.Query{From: d, To: d.Add(time.Hour), Points: 60}
	}
	if got := lookup(t, again, day(11)); len(got.Times) != 60 {
		t.Errorf("%d samples of the last day are left, want all 60", len(got.Times))
	}
	if got := lookup(t, again, day(1)); len(got.Times) != 0 {
		t.Errorf("%d samples of the second day are left, want none", len(got.Times))
	}
	hours := lookup(t, again, history.Query{From: begin(), To: begin().Add(12 * 24 * time.Hour), Points: 288})
	if len(hours.Times) != 288 || hours.Resolution != "1h" {
		t.Errorf("%d hours are left (%s), want all 288", len(hours.Times), hours.Resolution)
	}
}

// A history that cannot be written is kept in memory, says so, and is written when it can.
func TestNoCardThenACard(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	blocked := filepath.Join(dir, "state")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(blocked, "history.db")
	s := open(t, history.Options{Path: path})
	if p := s.Problem(); !strings.Contains(p, path) || !strings.Contains(p, "in memory only") {
		t.Errorf("the problem is %q, want it to name the file and say what is kept", p)
	}
	fill(s, 0, 20*time.Minute, 10*time.Second, true)
	q := history.Query{From: begin(), To: begin().Add(time.Hour), Points: 360}
	if got := lookup(t, s, q); len(got.Times) != 120 {
		t.Errorf("%d samples in memory, want 120", len(got.Times))
	}
	var b strings.Builder
	if n, err := s.Export(t.Context(), &b, begin(), begin().Add(time.Hour)); err != nil || n != 120 {
		t.Errorf("%d samples exported from memory, %v", n, err)
	}
	if err := os.Remove(blocked); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(blocked, 0o700); err != nil {
		t.Fatal(err)
	}
	fill(s, 20*time.Minute, 40*time.Minute, 10*time.Second, true)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	again := open(t, history.Options{Path: path})
	if got := lookup(t, again, q); len(got.Times) != 240 || again.Problem() != "" {
		t.Errorf("%d samples on the card, problem %q; want 240 and none", len(got.Times), again.Problem())
	}
}

func TestADamagedFileIsSetAside(t *testing.T) {
	t.Parallel()
	for name, content := range map[string]string{
		"noise": strings.Repeat("not a database ", 500),
		"empty": "",
	} {
		path := filepath.Join(t.TempDir(), "history.db")
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		s := open(t, history.Options{Path: path})
		fill(s, 0, time.Minute, 10*time.Second, true)
		if err := s.Flush(t.Context()); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		asides, _ := filepath.Glob(path + ".damaged-*")
		if len(asides) != 1 || !strings.Contains(s.Problem(), "set aside") {
			t.Errorf("%s: set aside %v, problem %q", name, asides, s.Problem())
		}
	}
}

// Damage that shows only when the file is written, long after it was opened.
func TestDamageFoundWhileWriting(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path})
	flushed(t, s, 0, 2*time.Hour, true)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := 20 * 1024; i < len(b); i += 1024 { // the pages of the tables; those of the schema stay
		copy(b[i:i+64], strings.Repeat("worn", 16))
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	again := open(t, history.Options{Path: path})
	fill(again, 2*time.Hour, 3*time.Hour, 10*time.Second, true)
	if err := again.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	asides, _ := filepath.Glob(path + ".damaged-*")
	if len(asides) == 0 || !strings.Contains(again.Problem(), "set aside") {
		t.Errorf("set aside %v, problem %q", asides, again.Problem())
	}
	if got := lookup(t, again, history.Query{From: begin().Add(2 * time.Hour), To: begin().Add(3 * time.Hour), Points: 360}); len(got.Times) != 360 {
		t.Errorf("%d of the 360 samples after the damage are there", len(got.Times))
	}
}

func TestLookupRefusesNonsense(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{})
	for want, q := range map[string]history.Query{
		"not after its start": {From: begin(), To: begin()},
		"points are -1":       {From: begin(), To: begin().Add(1), Points: -1},
		"points are 100000":   {From: begin(), To: begin().Add(1), Points: 100000},
		`no column "volts"`:   {From: begin(), To: begin().Add(1), Names: []string{"volts"}},
	} {
		if _, err := s.Lookup(t.Context(), q); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %s", q, err, want)
		}
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Lookup(t.Context(), history.Query{From: begin(), To: begin().Add(1)}); err == nil || !strings.Contains(err.Error(), "closed") {
		t.Errorf("a closed history answers: %v", err)
	}
}

// Each sample carries which start of the board it is from and how long the board was up, so
// that a look back can tell a board that stopped from a daemon that did.
func TestSamplesCarryTheBoardsOwnClock(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	boots := map[float64]bool{}
	for i, up := range []time.Duration{0, time.Hour, 3 * time.Minute} {
		s := open(t, history.Options{Path: path, Boot: []string{"first", "first", "second"}[i], MonoBase: up})
		from := time.Duration(i) * time.Hour
		base := factstest.Rich()
		for m := time.Duration(0); m < 5*time.Minute; m += 10 * time.Second {
			x := moment(base, from+m, true)
			x.At.Mono = m // the daemon's clock begins anew
			s.Add(x)
		}
		got := lookup(t, s, history.Query{From: begin().Add(from), To: begin().Add(from + 5*time.Minute), Points: 1})
		boot, uptime := got.Column("board_boot"), got.Column("board_uptime_seconds")
		if boot.Min[0] != boot.Max[0] || uptime.Min[0] != up.Seconds() || uptime.Max[0] != (up+290*time.Second).Seconds() {
			t.Errorf("run %d: boot %v to %v, up %v to %v s; want %v s on", i, boot.Min[0], boot.Max[0], uptime.Min[0], uptime.Max[0], up.Seconds())
		}
		boots[boot.Min[0]] = true
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if len(boots) != 2 {
		t.Errorf("two starts of the board have the numbers %v", boots)
	}
}
