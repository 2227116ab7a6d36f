package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/setup"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/survey"
)

// setupFlags are where to write; the answers are flags too, one for each question.
type setupFlags struct {
	config, state string
	given         map[string]*string
}

func setupCommand() *cobra.Command {
	f := setupFlags{given: map[string]*string{}}
	cmd := &cobra.Command{
		Use:   "setup [--config FILE]",
		Short: "From the labels to a tested warning: a conversation that writes the configuration",
		Long: `Asks for the place, the battery, the panels, the controller and how you want to be told, says what
each word means, and writes a short configuration that explains itself. It then reads the
controller once, so that you can hold the numbers against its display, and sends a message, so that
you know that it arrives. It writes to no device.

Every question is a flag too. What was answered is kept beside the configuration: interrupted, it
goes on where it was; run again, it offers the answers of before. A file that is there is copied
before it is replaced.`,
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	configFlag(cmd, &f.config)
	cmd.Flags().StringVar(&f.state, "state", "/var/lib/ebbwatch", "folder for what must survive a restart")
	for _, q := range setup.Questions() {
		f.given[q.Flag] = cmd.Flags().String(q.Flag, "", q.Ask)
	}
	return cmd
}

func (f setupFlags) run(cmd *cobra.Command) error {
	out := cmd.OutOrStdout()
	given := setup.Answers{}
	for flag, text := range f.given {
		if cmd.Flags().Changed(flag) {
			given[flag] = *text
		}
	}
	var person setup.Person
	if _, ok := onTerminal(os.Stdin); ok {
		person = survey.NewTerminal(cmd.Context(), os.Stdin, out)
		f.greet(person)
	}
	kept, err := f.kept()
	if err != nil {
		return err
	}
	var unkept error
	a, err := setup.Talk(person, given, kept, func(a setup.Answers) error { unkept = f.keep(a); return unkept })
	if unkept != nil {
		return unkept // a full disk is nobody's misuse
	}
	if err != nil {
		return misused("cannot set up: %w; see: ebbwatch setup --help", err)
	}
	if err := f.findMap(cmd.Context(), person, a); err != nil {
		return err
	}
	if err := f.write(out, a); err != nil {
		return err
	}
	c, err := loadOrSay(cmd.ErrOrStderr(), f.config, config.All())
	if err != nil {
		return fmt.Errorf("%w: run setup again to answer anew", err)
	}
	fmt.Fprintf(out, "\n%s is written and checked.\n", f.config)
	read := firstReading(cmd.Context(), out, person, c)
	if errors.Is(read, errWrongMap) {
		return read // what is built on wrong numbers is not to be started
	}
	return errors.Join(read, firstMessage(cmd.Context(), out, person, c), f.whatNext(out))
}

func (f setupFlags) greet(person setup.Person) {
	person.Say("An empty answer takes what stands in brackets. Ctrl-C ends; the answers so far are kept.")
	ports, err := survey.Ports("")
	if err != nil || len(ports) == 0 {
		person.Say("No serial port was found here; is the adapter plugged in?")
		return
	}
	person.Say("Serial ports here:")
	for _, p := range ports {
		person.Say("  " + p.String())
	}
}

func (f setupFlags) answersFile() string { return f.config + ".answers" }

// kept are the answers of a conversation before, if there was one.
func (f setupFlags) kept() (a setup.Answers, err error) {
	text, err := os.ReadFile(f.answersFile())
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &a)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the answers of before in %s: %w: mend it, or move it away to answer anew", f.answersFile(), err)
	}
	return a, nil
}

func (f setupFlags) keep(a setup.Answers) error {
	text, err := json.MarshalIndent(a, "", "  ")
	if err == nil {
		err = writeWhole(f.answersFile(), append(text, '\n'), 0o600) // an answer may be a secret
	}
	if err != nil {
		return fmt.Errorf("cannot keep the answers: %w: write where you may with --config", err)
	}
	return nil
}

// findMap looks for the registers where the owner has no map, and names a file by its full path.
func (f setupFlags) findMap(ctx context.Context, person setup.Person, a setup.Answers) (err error) {
	switch {
	case a["map"] == "sunspec":
		return nil
	case a["map"] != "survey":
		a["map"], err = filepath.Abs(a["map"])
		return err
	case person == nil:
		return misused("cannot look for the registers with nobody to ask: run ebbwatch survey, then give its file with --map")
	}
	file := filepath.Join(filepath.Dir(f.config), "charger-map.yaml")
	o := survey.Options{Settings: modbus.Settings{Port: a["port"]}}
	if address, over := strings.CutPrefix(a["port"], "tcp:"); over {
		o.Settings = modbus.Settings{TCP: address}
	}
	r, err := survey.New(person).Run(ctx, o)
	if err != nil {
		return err
	}
	if len(r.Findings) == 0 {
		return errors.New("cannot go on without a map: the survey found no register; run it alone with ebbwatch survey, or ask the maker for the list of registers")
	}
	if err := f.replace(file, r.Map, 0o644); err != nil {
		return err
	}
	a["unit"] = fmt.Sprint(r.Found.Unit) // what it answered to, and how fast, is known better now
	if mode := r.Found.Settings.Mode; mode.Baud > 0 {
		a["baud"], a["parity"] = fmt.Sprint(mode.Baud), mode.Parity
	}
	a["map"], err = filepath.Abs(file)
	return errors.Join(err, f.keep(a))
}

func (f setupFlags) write(out io.Writer, a setup.Answers) error {
	files, err := setup.Files(a, filepath.Base(f.config), f.state)
	if err != nil {
		return err
	}
	for _, file := range files {
		mode := os.FileMode(0o644)
		if file.Secret {
			mode = 0o600
		}
		path := filepath.Join(filepath.Dir(f.config), file.Name)
		if err := f.replace(path, []byte(file.Text), mode); err != nil {
			return err
		}
		fmt.Fprintf(out, "wrote %s\n", path)
	}
	return nil
}

// replace writes a file and keeps a copy of what was there.
func (f setupFlags) replace(path string, text []byte, mode os.FileMode) error {
	if old, err := os.ReadFile(path); err == nil && string(old) != string(text) {
		if err := os.WriteFile(path+".before-"+time.Now().Format("20060102-150405"), old, mode); err != nil {
			return fmt.Errorf("cannot keep a copy of %s: %w", path, err)
		}
	}
	if err := writeWhole(path, text, mode); err != nil {
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	return nil
}

// writeWhole writes a file so that nobody ever finds half of it.
func writeWhole(path string, text []byte, mode os.FileMode) error {
	if err := os.WriteFile(path+".new", text, mode); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// errWrongMap says that the owner saw other numbers on the display.
var errWrongMap = errors.New("cannot call this done: the display says otherwise, so the map is wrong; prove it number by number with ebbwatch survey --kick charger, then run setup again")

// firstReading asks each instrument once and shows what it says, for the owner to compare.
func firstReading(ctx context.Context, out io.Writer, person setup.Person, c loaded) error {
	var errs []error
	for _, s := range c.Sources {
		limit, cancel := context.WithTimeout(ctx, 20*time.Second)
		values, err := s.Source.Read(limit)
		cancel()
		if err != nil {
			errs = append(errs, fmt.Errorf("cannot read %s yet: %w", s.Name, err))
		}
		if len(values) > 0 {
			fmt.Fprintf(out, "\n%s says now:\n", s.Name)
		}
		for _, v := range values {
			what := v.Quantity.String()
			if v.Of != "" {
				what += " of " + v.Of
			}
			fmt.Fprintf(out, "  %s  %.4g %s\n", what, v.X, reading.Quantities()[v.Quantity].Unit)
		}
		if s.Name != "charger" || len(values) == 0 || person == nil {
			continue
		}
		switch yes, err := agrees(person, "Does the controller's own display say the same? [yes]"); {
		case err != nil:
			errs = append(errs, err)
		case !yes:
			errs = append(errs, errWrongMap)
		}
	}
	return errors.Join(errs...)
}

// firstMessage sends a message by every channel, and asks whether it came.
func firstMessage(ctx context.Context, out io.Writer, person setup.Person, c loaded) error {
	if len(c.Notify) == 0 {
		fmt.Fprintln(out, "\nNobody will be told: a warning stands on the page alone.")
		return nil
	}
	fmt.Fprintln(out)
	if err := sendTest(ctx, out, c.Site.Name, c.Notify); err != nil || person == nil {
		return err
	}
	if yes, err := agrees(person, "Did the test message reach you? [yes]"); err != nil || !yes {
		return errors.Join(err, errors.New("cannot call this done: the message did not reach you; run setup again to change how you are told"))
	}
	return nil
}

func agrees(person setup.Person, question string) (bool, error) {
	text, err := person.Ask(question)
	return err == nil && (text == "" || text == "y" || text == "yes"), err
}

func (f setupFlags) whatNext(out io.Writer) error {
	how := "ebbwatch run --config " + f.config
	if _, err := os.Stat("/run/systemd/system"); err == nil && f.config == usualConfig {
		how = "systemctl enable --now ebbwatch"
	}
	_, err := fmt.Fprintf(out, "\nStart it:  %s\nThen see:  ebbwatch status\n", how)
	return err
}
