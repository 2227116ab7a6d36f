package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"ebbwatch/alert"
	"ebbwatch/alert/command"
	"ebbwatch/alert/sender"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/watcher"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector/decode"
)

// checkFlags choose what is checked.
type checkFlags struct {
	config         string
	webConfig      string
	asJSON, strict bool
	rules, all     bool
	sendTest       bool
}

func checkCommand() *cobra.Command {
	var f checkFlags
	cmd := &cobra.Command{
		Use:   "check [--config FILE]",
		Short: "Check a configuration and tell every problem at once",
		RunE:  func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	configFlag(cmd, &f.config)
	takesFile(cmd, &f.config)
	cmd.Flags().StringVar(&f.webConfig, "web.config.file", "", "as it is given to run")
	cmd.Flags().BoolVar(&f.strict, "strict", false, "exit 1 also for what is doubtful")
	cmd.Flags().BoolVar(&f.asJSON, "json", false, "print the problems as JSON")
	cmd.Flags().BoolVar(&f.rules, "rules", false, "a line for each rule: whether it holds now, if the daemon runs")
	cmd.Flags().BoolVar(&f.all, "all", false, "with --rules: explain each rule with all its conditions and values")
	cmd.Flags().BoolVar(&f.sendTest, "send-test", false, "send a test notice through every channel")
	return cmd
}

func (f checkFlags) run(cmd *cobra.Command) error {
	if watcher.Is(f.config) {
		return f.home(cmd)
	}
	c, problems := load(f.config, config.All())
	if err := web.Check(f.webConfig); err != nil {
		problems = append(problems, decode.Problem{File: f.webConfig, What: err.Error()})
	}
	bad := len(problems) > 0
	if c.Config != nil {
		problems = append(problems, c.Doubts...)
		bad = bad || f.strict && len(c.Doubts) > 0
	}
	if f.asJSON {
		return printProblems(cmd.OutOrStdout(), problems, bad)
	}
	for _, p := range problems {
		fmt.Fprintln(cmd.ErrOrStderr(), p)
	}
	if bad {
		return exitCode(1)
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%s is fine: %s, %s, %s to notify\n", f.config, c.Site.Name,
		count(len(c.Sources), "source"), count(len(c.Notify), "channel"))
	tellUnready(cmd, c.State, append(c.unready(), c.strangers()...))
	if f.rules {
		explainRules(cmd.Context(), cmd.OutOrStdout(), c, f.all)
	}
	if f.sendTest {
		return sendTest(cmd.Context(), cmd.OutOrStdout(), c.Site.Name, c.Notify)
	}
	return nil
}

// home checks the file of a watcher, which is told by its nodes.
func (f checkFlags) home(cmd *cobra.Command) error {
	if f.asJSON {
		_, problems := watcher.Load(f.config, channelKinds())
		return printProblems(cmd.OutOrStdout(), problems, len(problems) > 0)
	}
	c, err := loadHome(cmd.ErrOrStderr(), f.config)
	if err != nil {
		return err
	}
	return tellHome(cmd, f.config, c, f.sendTest)
}

func printProblems(w io.Writer, problems []decode.Problem, bad bool) error {
	if problems == nil {
		problems = []decode.Problem{}
	}
	if err := printList(w, "problems", problems); err != nil {
		return err
	}
	if bad {
		return exitCode(1)
	}
	return nil
}

// explainRules says how each rule stands by the values of a running daemon: a short line, or
// all of it.
func explainRules(ctx context.Context, w io.Writer, c loaded, all bool) {
	get := func(string) (float64, bool) { return 0, false }
	st, _, err := askState(ctx, "http://"+c.Web.Listen)
	switch {
	case err == nil && st.Site != c.Site.Name:
		fmt.Fprintf(w, "No values: the daemon at %s watches %s\n", c.Web.Listen, st.Site)
	case err == nil:
		get = func(name string) (float64, bool) { x, known := st.Facts[name]; return x, known }
	default:
		fmt.Fprintln(w, "No values: the daemon does not answer at", c.Web.Listen)
	}
	for _, e := range plan(c).Engine.ExplainAll(get) {
		name := e.Rule
		if e.Of != "" {
			name += " " + e.Of
		}
		if all {
			fmt.Fprintf(w, "%s: %s\n", name, e.Text)
			continue
		}
		fmt.Fprintf(w, "%-28s %s\n", name, e.Short)
	}
}

// tellUnready says what is no mistake and may surprise all the same: where a state folder
// lies that was given as a relative path, and which parts cannot be used as things are.
func tellUnready(cmd *cobra.Command, state string, notReady []string) {
	fmt.Fprintf(cmd.OutOrStdout(), "state is kept in %s\n", state)
	for _, what := range notReady {
		fmt.Fprintf(cmd.ErrOrStderr(), "note: %s\n", what)
	}
}

// sendTest proves each channel with a warning and its end, as they come in earnest but for
// what they say: what only a short note survives is no proof.
func sendTest(ctx context.Context, w io.Writer, site string, channels []config.Channel) error {
	now := time.Now()
	raised := alert.Notice{
		ID: site + ".test." + now.UTC().Format("20060102T150405Z") + ".1", Site: site, Rule: "test", Phase: alert.Raised,
		Severity: alert.Warning, At: now, Since: now, Title: site + ": a test, nothing is wrong",
		Text:   "This is a test of the way to you: nothing is wrong at " + site + ".\nHow sure: certain.\nWhy: somebody asked for it with \"--send-test\".",
		Advice: []string{"Nothing is to be done.", "A second message says that the test is over."}, Foot: "As of " + now.Format("Mon 15:04") + ".",
		Facts: map[string]float64{},
	}
	over := raised
	over.Phase, over.Title, over.Text, over.Advice = alert.Cleared, site+": the test is over", "This was a test.\nIt is over.", []string{}
	over.Foot, over.Facts = "", map[string]float64{alert.ToldAs + string(raised.Severity): 1}
	var errs []error
	for _, ch := range channels {
		err := sender.Once(ctx, ch.Channel, raised)
		if err == nil {
			err = sender.Once(ctx, ch.Channel, over)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("the channel %s failed: %w", ch.Name, err))
			if ended, ok := errors.AsType[command.Ended](err); ok && ended.Said() != "" {
				fmt.Fprintf(w, "the program of the channel %s said: %s\n", ch.Name, clean(ended.Said()))
			}
			continue
		}
		fmt.Fprintf(w, "the channel %s took the test notice and its end\n", ch.Name)
	}
	return errors.Join(errs...)
}

// clean is a text that others wrote, fit for a terminal.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return -1
	}, text)
}
