package alerttest

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
)

// Notice is a notice with all its fields filled, with signs that some receivers stumble
// over.
func Notice() alert.Notice {
	at := time.Date(2026, 1, 11, 13, 5, 0, 0, time.UTC)
	return alert.Notice{
		ID: "slipway.cutoff_ahead.20260110T110000Z.7", Site: "slipway", Rule: "cutoff_ahead",
		Phase: alert.Changed, Severity: alert.Critical, At: at, Since: at.Add(-26 * time.Hour),
		Title:  `slipway: act by Sun 16:15 or it "goes dark"`,
		Text:   "slipway is expected to go dark <Mon 03:45> & later.\nHow sure: about 2 in 3.\nÄrger: 5 °C, 34 %.",
		Advice: []string{"Bring 240 Wh of charge.", "Switch off what can wait: 'all' of it."},
		Facts:  map[string]float64{"battery_soc": 0.22, "cutoff_hours_p50": 63},
	}
}

// SecretFile writes a secret into a file of its own, as an owner would.
func SecretFile(t testing.TB, secret string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// LeaksNoSecret sends a notice in vain and looks for the secrets in all that can be shown
// of it: the error in every form, and what a channel and its configuration print as.
// The channel must be one whose sending fails, and whose error names want, such as the
// host, so that the owner knows what failed.
func LeaksNoSecret(t testing.TB, c alert.Channel, config any, want string, secrets ...string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	err := c.Send(ctx, Notice())
	if err == nil {
		t.Fatal("the sending did not fail")
	}
	if !strings.Contains(err.Error(), want) {
		t.Errorf("the error does not name %q: %v", want, err)
	}
	shown := []string{err.Error()}
	for _, v := range []any{err, config, c} {
		for _, verb := range []string{"%v", "%+v", "%#v", "%s"} {
			shown = append(shown, fmt.Sprintf(verb, v))
		}
	}
	if data, err := json.Marshal(config); err == nil {
		shown = append(shown, string(data))
	}
	for _, text := range shown {
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("a secret is shown (%q): %s", secret, text)
			}
		}
	}
}
