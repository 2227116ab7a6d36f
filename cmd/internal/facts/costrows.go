package facts

import (
	"strconv"
	"strings"
)

// costRows are what the daemon itself costs the board. The budgets are ours, of a board of
// one small core that runs off the same battery; the page shows each beside its figure.
func costRows() []Row {
	own := func(name, unit, label, help string, words func(float64) string) Row {
		return Row{Fact: "own_" + name, Metric: "own_" + name, Unit: unit, Group: GroupDaemon, Label: label, Help: help, Words: words, Each: extra("own_" + name)}
	}
	counter := func(r Row) Row { r.Type = Counter; return r }
	fact := func(r Row) Row { r.Metric = ""; return r }
	return []Row{
		counter(own("cpu_seconds_total", "s", "Processor time", "Processor time that the daemon took since its start", nil)),
		fact(own("cpu_ratio", "%", "Processor", "Share of one core that the daemon takes, over ten minutes", budget(percent, "1 %"))),
		own("resident_bytes", "B", "Memory", "Memory of the daemon that is resident", budget(megabytes, "40 MB")),
		counter(own("wakeups_total", "", "Wake-ups", "Times that the daemon gave up the processor by itself and was woken again", nil)),
		fact(own("wakeups_per_second", "/s", "Wake-ups", "Wake-ups of the daemon a second, over ten minutes", budget(perSecond, "20/s"))),
		counter(own("written_bytes_total", "B", "Written", "Bytes that the daemon caused to be written to the disk since its start, without what the file system adds for its journal", megabytes)),
		fact(own("written_bytes_per_day", "B", "Written a day", "Bytes that the daemon caused to be written in the last day, or since its start, without what the file system adds for its journal", budget(megabytes, "8 MB"))),
		counter(own("sent_bytes_total", "B", "Sent", "Bytes that the daemon handed to the network since its start, without headers of TCP and IP", megabytes)),
		fact(own("sent_bytes_per_day", "B", "Sent a day", "Bytes that the daemon sent in the last day, or since its start", budget(megabytes, "20 MB"))),
		{Fact: "polls_thinned", Metric: "polls_thinned", Group: GroupDaemon, Label: "Asks less, to save power", Words: yesNo,
			Help: "1 while the instruments are asked a third as often because the battery is low", Each: extra("polls_thinned")},
		{Fact: "writes_thinned", Metric: "writes_thinned", Group: GroupDaemon, Label: "Writes less, to save power", Words: yesNo,
			Help: "1 while the record is written a third as often because the battery is low; notices are kept at once as ever", Each: extra("writes_thinned")},
	}
}

// Costs says what the daemon costs, each figure beside its budget; what is not known is left
// out. The facts are those of [State].
func Costs(known map[string]float64) []string {
	var out []string
	for _, r := range costRows() {
		x, ok := known[r.Fact]
		if ok && r.Words != nil && strings.HasPrefix(r.Fact, "own_") && !strings.HasSuffix(r.Fact, "_total") {
			out = append(out, strings.ToLower(r.Label)+" "+r.Words(x))
		}
	}
	return out
}

// budget says a figure together with what it should stay below.
func budget(say func(float64) string, limit string) func(float64) string {
	return func(x float64) string { return say(x) + " of " + limit }
}

func percent(x float64) string { return strconv.FormatFloat(100*x, 'f', 2, 64) + " %" }

func perSecond(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) + "/s" }

func megabytes(x float64) string { return strconv.FormatFloat(x/1e6, 'f', 1, 64) + " MB" }
