package nodestate

import (
	"fmt"
	"strings"
	"testing"
)

func TestWhatIsNoState(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		"": "EOF", "<html>": "invalid character", "[]": "cannot unmarshal", "{}": "neither site", `{"status":"ok"}`: "neither site",
		`{"site":"x"}{}`: "something follows", `{"site":1}`: "cannot unmarshal number", `{"site":"x","at":"noon"}`: "noon",
	} {
		if s, err := Parse([]byte(body)); s != nil || err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, %v; want %q", body, s, err, want)
		}
	}
}

// A node that says too much costs its reader no more than one that does not.
func TestListsAreBounded(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	for i := range 3 * MaxList {
		fmt.Fprintf(&b, `,{"name":"n%d"}`, i)
	}
	list := "[" + b.String()[1:] + "]"
	s, err := Parse([]byte(`{"site":"x","peers":` + list + `,"readings":` + list + `}`))
	if err != nil || len(s.Peers) != MaxList || len(s.Readings) != MaxList {
		t.Errorf("%d peers, %d readings, %v", len(s.Peers), len(s.Readings), err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(`{"site":"boathouse","at":"2026-11-25T08:00:00Z","battery":{"soc":0.62}}`))
	f.Add([]byte(`{"site":1}`))
	f.Add([]byte(`{"battery":null}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		if s, err := Parse(body); (s == nil) != (err != nil) {
			t.Errorf("%+v beside %v", s, err)
		}
	})
}
