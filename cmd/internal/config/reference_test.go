package config

import (
	"regexp"
	"strings"
	"testing"

	"ebbwatch/collector/decode"
)

// TestReferenceIsReadable loads the reference as it stands, and then with every key in use.
// What holds for each key in turn must hold for all of them together, but for the keys of
// which there may be only one.
func TestReferenceIsReadable(t *testing.T) {
	t.Parallel()
	text := Reference(fakeKinds())
	if _, problems := Parse("ebbwatch.yaml", []byte(text), fakeKinds(), All()); len(problems) > 0 {
		t.Errorf("as it stands: %v\n%s", problems, text)
	}
	all := regexp.MustCompile(`(?m)^( *)#([^ #]|  )`).ReplaceAllString(text, "$1$2")
	cfg, problems := Parse("ebbwatch.yaml", []byte(all), fakeKinds(), All())
	for _, p := range problems {
		t.Errorf("with every key: %s", p)
	}
	if cfg == nil {
		t.Fatal(all)
	}
	if len(cfg.Sources) != 3 || cfg.Array == nil || cfg.Weather == nil || cfg.Battery.InitialSoC == nil || len(cfg.Site.Insolation) != 12 {
		t.Errorf("keys are missing from the reference:\n%s", text)
	}
}

// TestReferenceNamesEveryKey looks for each key, with its remark.
func TestReferenceNamesEveryKey(t *testing.T) {
	t.Parallel()
	text := Reference(fakeKinds())
	for _, f := range decode.Fields(typeOfConfig()) {
		if !strings.Contains(text, f.Name+":") || f.Doc() == "" {
			t.Errorf("%s is not in the reference, or without a remark", f.Name)
		}
	}
	for _, want := range []string{
		"  capacity_ah: 80  # capacity on the label, Ah; required; 0.5 to 20000\n",
		"  #cells: 4  # LiFePO4 cells in series: 4 make 12.8 V; 1 to 18\n",
		"#  charger: mppt  # the kind of charge controller; one of mppt, pwm\n",
		"#  trip_hours: 1.5  # ",
		"#    # name: cutoff_ahead  # ",
		"  - name: charger  # of your choice; a-z, 0-9, - and _; required\n",
		"# folder for what must survive a restart\nstate: /var/lib/ebbwatch\n",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the reference lacks %q", want)
		}
	}
	if t.Failed() {
		t.Log(text)
	}
}
