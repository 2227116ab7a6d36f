package main

import (
	"os/exec"
	"strings"
	"testing"

	"ebbwatch/collector/needtest"
	"ebbwatch/deploy/handbook"
)

// man's own formatter reads the pages without a warning, and what was written can be read.
func TestManPages(t *testing.T) {
	t.Parallel()
	man := needtest.Program(t, "man")
	pages := []struct {
		args []string
		want []string
	}{
		{[]string{"man"}, []string{"ebbwatch - watch a solar-powered network node", "ebbwatch run [--config FILE]", "--config string", "ebbwatch silence", "EXIT STATUS"}},
		{[]string{"man", "--file"}, []string{"capacity_ah: 80", "state: /var/lib/ebbwatch", "# whom to tell"}},
	}
	for _, topic := range handbook.Topics() {
		pages = append(pages, struct{ args, want []string }{[]string{"man", topic}, []string{"ebbwatch-" + topic + " - ", "SEE ALSO"}})
	}
	for _, c := range pages {
		var page, errors strings.Builder
		if code := run(t.Context(), c.args, &page, &errors); code != 0 {
			t.Fatalf("%v ends with %d: %s", c.args, code, errors.String())
		}
		cmd := exec.CommandContext(t.Context(), man, "--warnings", "--nj", "--nh", "-E", "UTF-8", "-l", "-Tutf8", "-")
		cmd.Env = append(cmd.Environ(), "MANWIDTH=200", "LC_ALL=C.UTF-8", "MANROFFOPT=-P-c")
		cmd.Stdin = strings.NewReader(page.String())
		var out, warnings strings.Builder
		cmd.Stdout, cmd.Stderr = &out, &warnings
		if err := cmd.Run(); err != nil || warnings.Len() > 0 {
			t.Errorf("man: %v\n%s", err, warnings.String())
		}
		text := strings.NewReplacer("‐", "-", "−", "-").Replace(overstrike(out.String()))
		for _, want := range c.want {
			if !strings.Contains(text, want) {
				t.Errorf("%v: the page lacks %q:\n%.3000s", c.args, want, text)
			}
		}
	}
}

// overstrike takes away how a terminal without colours shows what is bold: x, backspace, x.
func overstrike(s string) string {
	var out []rune
	for _, r := range s {
		if r == '\b' && len(out) > 0 {
			out = out[:len(out)-1]
			continue
		}
		out = append(out, r)
	}
	return string(out)
}
