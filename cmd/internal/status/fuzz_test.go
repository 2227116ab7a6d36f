package status_test

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/status"
	"ebbwatch/collector/nodestate"
)

// Whatever a server answers, the screen is at most 24 lines without control characters.
func FuzzWrite(f *testing.F) {
	for _, s := range []*facts.Snapshot{factstest.Rich(), factstest.Empty(), factstest.Alarmed()} {
		b, err := json.Marshal(facts.StateOf(s))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"outlook":{"reserve":{"hours_p10":1e300}},"battery":{"soc":-7e9,"hours_since_full":1e99},"peers":[{"known":true,"up":true}],"sources":[{"age_seconds":-1e20}]}`))
	f.Add([]byte(`{"site":"\u001b[2J\n","alarms":[{"severity":"","advice":["\u0007"]}],"channels":[{"waiting":-1}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var st nodestate.State
		if json.Unmarshal(b, &st) != nil {
			return
		}
		var out strings.Builder
		if err := status.Write(&out, st, status.Options{}); err != nil {
			t.Fatal(err)
		}
		text := strings.TrimSuffix(out.String(), "\n")
		if n := strings.Count(text, "\n"); n >= 24 {
			t.Errorf("%d lines", n+1)
		}
		for _, r := range text {
			if r != '\n' && unicode.IsControl(r) {
				t.Errorf("control character %q", r)
			}
		}
	})
}
