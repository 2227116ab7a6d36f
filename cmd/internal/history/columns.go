package history

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"hash/fnv"
	"math"
	"slices"
	"strings"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
)

// The cells before those of the columns.
const (
	cellSeq   = iota
	cellFlows // four of them, see flows
	lead      = cellFlows + 4
)

// absent marks a cell that holds nothing.
const absent = math.MinInt64

// column is one thing that is recorded. It is stored as a whole number of 1/scale units: a
// few bytes where a float takes eight, and any tool can read it.
type column struct {
	name  string
	scale float64
	fact  string // the fact whose value it holds, for what is not a reading
}

// The columns that the history fills in itself, so that a look back can tell a board that
// stopped from a daemon that did, and either from a clock that was set: see [Options.Boot].
const (
	columnBoot   = "board_boot"           // a number for each start of the board; only equal or not counts
	columnUptime = "board_uptime_seconds" // the board's own clock, which nobody can set
)

// columns lists what is recorded: the readings, the belief, and the way to each peer.
func columns(peers []string) []column {
	var cs []column
	for q, info := range reading.Quantities() {
		if q >= int(reading.NumSite) {
			break
		}
		scale := 1000.0
		switch {
		case reading.Quantity(q) == reading.ChargeStage || reading.Quantity(q) == reading.LoadOn:
			scale = 1
		case info.Unit == "":
			scale = 10000
		}
		cs = append(cs, column{name: info.Name, scale: scale})
	}
	cs = append(cs, column{"battery_soc", 10000, "battery_soc"}, column{"battery_soc_low", 10000, "battery_soc_low"},
		column{"battery_soc_high", 10000, "battery_soc_high"}, column{"unmetered_watts", 1000, "unmetered_watts"})
	cs = append(cs, column{"pv_sky_watts", 100, "pv_sky_watts"}, column{columnBoot, 1, columnBoot}, column{columnUptime, 1, columnUptime})
	for _, f := range []string{"cutoff_within_24h", "cutoff_within_72h"} {
		cs = append(cs, column{f, 10000, f})
	}
	for _, f := range []string{"reserve_hours_p10", "reserve_hours_p50", "cutoff_hours_p10", "cutoff_hours_p50"} {
		cs = append(cs, column{f, 10, f})
	}
	for _, p := range peers {
		cs = append(cs, column{name: "peer_up/" + p, scale: 1}, column{name: "peer_rtt_seconds/" + p, scale: 1e6},
			column{name: "peer_loss_ratio/" + p, scale: 10000})
	}
	return cs
}

// store turns a number into what its cell holds.
func (c column) store(x float64) int64 {
	if math.IsNaN(x) || math.IsInf(x, 0) || math.Abs(x) > 1e12 {
		return absent
	}
	return int64(math.Round(x * c.scale))
}

// load turns a cell back; NaN when it holds nothing.
func (c column) load(v int64) float64 {
	if v == absent {
		return math.NaN()
	}
	return float64(v) / c.scale
}

// Flows are the energies that are summed up, in joules.
func flows() [4]string { return [4]string{"pv", "load", "battery_in", "battery_out"} }

// table is the shape of one table: its key, and its cells with what they count as in the
// checksum.
type table struct {
	name  string
	keys  []string
	cells []string
	marks []uint32
	// absent are the cells that a damaged file of an older version lacks.
	absent map[string]bool
}

func newTable(name string, keys, cells []string) table {
	t := table{name: name, keys: keys, cells: cells}
	for _, c := range cells {
		h := fnv.New32a()
		h.Write([]byte(c)) // a hash does not fail
		t.marks = append(t.marks, h.Sum32())
	}
	return t
}

// rawTable and undatedTable hold samples as they came: dated by the wall clock, or by the
// time since the board started while the wall clock was not known. The energies are those
// since the sample before, as the node counted them by the clock that never steps; seq
// counts samples in the order in which they found their place, for whoever sends them on.
func rawTable(cs []column) table { return newTable("raw", []string{"t"}, sampleCells(cs)) }

func undatedTable(cs []column) table {
	return newTable("undated", []string{"boot", "mono"}, sampleCells(cs))
}

func sampleCells(cs []column) []string {
	cells := []string{"seq"}
	for _, f := range flows() {
		cells = append(cells, f+"_joules")
	}
	for _, c := range cs {
		cells = append(cells, c.name)
	}
	return cells
}

// rollTable holds sums of samples over a span: how many, the energies, and of each column
// the least, the mean and the most.
func rollTable(name string, cs []column) table {
	cells := []string{"n"}
	for _, f := range flows() {
		cells = append(cells, f+"_joules")
	}
	for _, c := range cs {
		cells = append(cells, c.name+"_min", c.name+"_mean", c.name+"_max")
	}
	return newTable(name, []string{"t"}, cells)
}

// row is one row of a table: its key and cells, absent where there is nothing.
type row struct {
	key   []int64
	cells []int64
}

// check is the checksum of a row. Cells that hold nothing do not count, so a column that is
// added later leaves it as it was.
func (t table) check(r row) int64 {
	buf := make([]byte, 0, 2048) // stays on the stack
	for _, k := range r.key {
		buf = binary.LittleEndian.AppendUint64(buf, uint64(k))
	}
	for i, v := range r.cells {
		if v != absent {
			buf = binary.LittleEndian.AppendUint32(buf, t.marks[i])
			buf = binary.LittleEndian.AppendUint64(buf, uint64(v))
		}
	}
	return int64(crc32.Checksum(buf, crc32.MakeTable(crc32.Castagnoli)))
}

func quote(names []string) string {
	var q []string
	for _, n := range names {
		q = append(q, `"`+strings.ReplaceAll(n, `"`, `""`)+`"`)
	}
	return strings.Join(q, ", ")
}

// create is the statement that makes the table.
func (t table) create() string {
	var cols []string
	for _, k := range t.keys {
		cols = append(cols, k+" INTEGER NOT NULL")
	}
	cols = append(cols, "chk INTEGER NOT NULL")
	for _, c := range t.cells {
		cols = append(cols, quote([]string{c})+" INTEGER")
	}
	end := ""
	if len(t.keys) > 1 {
		end = " WITHOUT ROWID"
	}
	return fmt.Sprintf("CREATE TABLE IF NOT EXISTS %s (%s, PRIMARY KEY (%s))%s", t.name, strings.Join(cols, ", "), quote(t.keys), end)
}

// insert is the statement that stores a row; verb says what happens to one that is there.
func (t table) insert(verb string) string {
	n := len(t.keys) + 1 + len(t.cells)
	return fmt.Sprintf("%s INTO %s (%s, chk, %s) VALUES (%s)", verb, t.name, quote(t.keys), quote(t.cells),
		strings.TrimSuffix(strings.Repeat("?, ", n), ", "))
}

// args are the values of insert.
func (t table) args(r row) []any {
	args := make([]any, 0, len(t.keys)+1+len(t.cells))
	for _, k := range r.key {
		args = append(args, k)
	}
	args = append(args, t.check(r))
	for _, v := range r.cells {
		if v == absent {
			args = append(args, nil)
		} else {
			args = append(args, v)
		}
	}
	return args
}

// query is the statement that reads rows; where begins with WHERE or is empty.
func (t table) query(where string) string {
	cells := make([]string, len(t.cells))
	for i, c := range t.cells {
		if cells[i] = quote([]string{c}); t.absent[c] {
			cells[i] = "NULL"
		}
	}
	return fmt.Sprintf("SELECT %s, chk, %s FROM %s %s", quote(t.keys), strings.Join(cells, ", "), t.name, where)
}

// sampleRow makes the cells of a snapshot. Only what was measured since the sample before
// counts: an old value is not a new one.
func sampleRow(cs []column, s *facts.Snapshot, get func(string) (float64, bool), after int64) []int64 {
	cells := make([]int64, lead, lead+len(cs))
	for i := range cells {
		cells[i] = absent
	}
	fresh := func(age int64) bool { return s.At.Mono.Milliseconds()-age > after }
	for i, c := range cs {
		v := int64(absent)
		switch {
		case i < int(reading.NumSite):
			if m := s.Reading[i]; m.Usable() && fresh(m.Age.Milliseconds()) {
				v = c.store(m.X)
			}
		default:
			name := c.fact
			if name == "" {
				name = c.name
				if p := peerOf(s, c.name); p == nil || !fresh(p.Age.Milliseconds()) {
					break
				}
			}
			if x, known := get(name); known {
				v = c.store(x)
			}
		}
		cells = append(cells, v)
	}
	return cells
}

// peerOf finds the peer that a column such as peer_up/gate is about.
func peerOf(s *facts.Snapshot, name string) *facts.Peer {
	_, peer, _ := strings.Cut(name, "/")
	i := slices.IndexFunc(s.Peers, func(p facts.Peer) bool { return p.Name == peer })
	if i < 0 {
		return nil
	}
	return &s.Peers[i]
}
