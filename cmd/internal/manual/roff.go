package manual

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"ebbwatch/deploy/handbook"
)

// Program is ebbwatch(1), in the macros of man(7).
func Program(root *cobra.Command) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH EBBWATCH 1 \"\" ebbwatch \"User Commands\"\n.SH NAME\nebbwatch \\- %s\n", roff(lowerFirst(root.Short)))
	b.WriteString(".SH SYNOPSIS\n.B ebbwatch\n.I command\n.RI [ flags ]\n.SH DESCRIPTION\n")
	paragraphs(&b, root.Long)
	b.WriteString(".SH COMMANDS\n")
	for _, c := range root.Commands() {
		if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
			continue
		}
		fmt.Fprintf(&b, ".SS ebbwatch %s\n", roff(c.Use))
		if c.Long == "" {
			paragraphs(&b, c.Short+".")
		} else {
			paragraphs(&b, c.Long)
		}
		c.Flags().VisitAll(func(f *pflag.Flag) { flag(&b, f) })
	}
	b.WriteString(`.SH FILES
.TP
.I /etc/ebbwatch/ebbwatch.yaml
The configuration; see
.BR ebbwatch.yaml (5).
.TP
.I /var/lib/ebbwatch
What survives a restart: the belief, the alarms, the notices that wait, the history.
.SH EXIT STATUS
0 when all went well; 1 when something could not be done, and standard error says what; 64 when
the command line was not understood. The state of a node is told by
.B status
with 0 when it is well, 1 on a warning, 2 when it is critical and 3 when it is not known.
.SH SAFETY
ebbwatch informs; it does not replace a person who is allowed to do the work. Never charge
LiFePO4 below 0 \(deC. Fuse at the battery. Keep to local rules.
.SH SEE ALSO
`)
	for _, topic := range handbook.Topics() {
		fmt.Fprintf(&b, ".BR %s (7),\n", roff(PageName(topic)))
	}
	b.WriteString(".BR ebbwatch.yaml (5),\n.BR ebbwatch\\-update (8)\n")
	return b.String()
}

// flag writes what a flag is for.
func flag(b *strings.Builder, f *pflag.Flag) {
	if f.Hidden || f.Name == "help" {
		return
	}
	kind, usage := pflag.UnquoteUsage(f)
	fmt.Fprintf(b, ".TP\n.B \\-\\-%s\n", roff(strings.TrimSpace(f.Name+" "+kind)))
	if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "0" && f.DefValue != "0s" && f.DefValue != "[]" {
		usage += " (default " + f.DefValue + ")"
	}
	b.WriteString(roff(usage) + "\n")
}

// paragraphs writes a text; an empty line parts paragraphs.
func paragraphs(b *strings.Builder, text string) {
	for i, p := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if i > 0 {
			b.WriteString(".PP\n")
		}
		for line := range strings.Lines(p) {
			b.WriteString(roff(strings.TrimSuffix(line, "\n")) + "\n")
		}
	}
}

// Configuration is ebbwatch.yaml(5): the annotated configuration as it is.
func Configuration(reference string) string {
	var b strings.Builder
	b.WriteString(`.TH EBBWATCH.YAML 5 "" ebbwatch "File Formats"
.SH NAME
ebbwatch.yaml \- configuration of ebbwatch
.SH DESCRIPTION
A key that is not known, a value out of range or a missing key is told of with its line and
column by
.BR "ebbwatch check" .
Nothing is guessed and nothing is ignored.
.PP
.nf
`)
	for line := range strings.Lines(reference) {
		b.WriteString(roff(strings.TrimSuffix(line, "\n")) + "\n")
	}
	b.WriteString(".fi\n.SH SEE ALSO\n.BR ebbwatch (1)\n")
	return b.String()
}

// roff escapes what roff would take for its own: backslashes, minus signs, leading dots and
// quotes.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "°", `\(de`, "²", `\(S2`, "…", "...", "–", `\(en`).Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// PageName is what the manual page of a topic of the handbook is called.
func PageName(topic string) string { return "ebbwatch-" + topic }

// Roff is the page as a manual page of section 7.
func (p Page) Roff(name string) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH %s 7 \"\" ebbwatch \"Handbook\"\n.SH NAME\n%s \\- %s\n.SH DESCRIPTION\n", roff(strings.ToUpper(name)), roff(name), roff(lowerFirst(plain(p.Title))))
	for _, x := range p.blocks {
		switch x.kind {
		case section:
			fmt.Fprintf(&b, ".SH %s\n", roff(strings.ToUpper(plain(x.text))))
		case item:
			fmt.Fprintf(&b, ".IP \\(bu 2\n%s\n", spoken(x.text))
		case code:
			b.WriteString(".PP\n.RS 4\n.nf\n")
			for line := range strings.Lines(x.text) {
				b.WriteString(roff(strings.TrimSuffix(line, "\n")) + "\n")
			}
			b.WriteString(".fi\n.RE\n")
		default:
			b.WriteString(".PP\n" + spoken(x.text) + "\n")
		}
	}
	b.WriteString(".SH SEE ALSO\n.BR ebbwatch (1)\n")
	return b.String()
}

// spoken sets what is marked in bold.
func spoken(s string) string {
	return marks.ReplaceAllString(roff(s), `\fB$1$2$3\fP`)
}
