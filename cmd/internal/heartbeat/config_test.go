package heartbeat_test

import (
	"fmt"
	"strings"
	"testing"

	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/collector/decode"
)

func TestConfig(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"url: https://deadman.example/k\nevery: 10m\n": "",
		"url_file: hook\n": "",
		"every: 5m\n":      "exactly one",
		"url: https://a.example\nurl_file: hook\n":            "exactly one",
		"url: deadman/s3cret\n":                               "not shown",
		"url: https://deadman.example/s3cret\nevery: 1s\n":    "every",
		"url: https://deadman.example/s3cret\nmethod: PUT\n":  "method",
		"url: https://deadman.example/s3cret\nunknown: 1\n":   "unknown",
		"url: [https://deadman.example/s3cret]\nevery: 10m\n": "url",
	} {
		s := decode.NewSection("ebbwatch.yaml", []byte(text))
		var c heartbeat.Config
		err := s.Decode(&c)
		all := fmt.Sprint(s.Problems())
		if (err == nil) != (want == "") || !strings.Contains(all, want) || strings.Contains(all, "s3cret") {
			t.Errorf("%q: %s, want %q", text, all, want)
		}
	}
}
