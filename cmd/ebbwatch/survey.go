package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/collector"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/plausible"
	"ebbwatch/collector/survey"
)

// surveyFlags say where to look and what is known already.
type surveyFlags struct {
	port, tcp, parity, out string
	baud, stopBits, unit   int
	panelWatts             float64
	thorough, allUnits     bool
	try                    []int
	list, asJSON           bool
	kick, dark, config     string
}

func surveyCommand() *cobra.Command {
	var f surveyFlags
	cmd := &cobra.Command{
		Use:   "survey [--port PORT | --tcp HOST:PORT]",
		Short: "Find a controller's port, speed, address and registers; or prove a map",
		Long: `Finds how a Modbus device talks and where it keeps its numbers, by asking it (functions 03 and 04
only: nothing is written to it) and by asking you what its display and your meter say. Where two
registers remain possible it says so and picks none.

A map is done when it was looked at in the dark as well: the survey asks for that, and --dark SOURCE
takes the look later, after sunset.

With --kick SOURCE it proves the map of a source of your configuration: you switch a known load or
cover the panel when asked, and it tells which numbers moved as they should. Work on live wiring
only if you may; panels are live in light. Ctrl-C stops at once.`,
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.port, "port", "", "serial port, best by /dev/serial/by-id; asked for when left out")
	flags.StringVar(&f.tcp, "tcp", "", "host and port of a Modbus/TCP device instead")
	flags.IntVar(&f.baud, "baud", 0, "speed, if known")
	flags.StringVar(&f.parity, "parity", "none", "none, even or odd; with --baud")
	flags.IntVar(&f.stopBits, "stop-bits", 1, "1 or 2; with --baud")
	flags.IntVar(&f.unit, "unit", 0, "address of the device, if known")
	flags.Float64Var(&f.panelWatts, "panel-watts", 0, "power of the panels by their label, if known")
	flags.BoolVar(&f.thorough, "thorough", false, "sweep every one of the 65536 addresses of both tables; takes hours on a slow line")
	flags.IntSliceVar(&f.try, "try", nil, "addresses that are known to have a register, for a device that is silent at all others; those above\n"+
		"30000 are tried as on the wire and as in manuals that number from 30001 and 40001")
	flags.BoolVar(&f.allUnits, "all-units", false, "look through all 247 addresses of devices")
	flags.StringVar(&f.out, "out", "map.yaml", "where to write the register map; an existing file is not replaced")
	flags.BoolVar(&f.list, "list", false, "list the serial ports and end; opens none")
	flags.BoolVar(&f.asJSON, "json", false, "print the findings as JSON at the end")
	flags.StringVar(&f.kick, "kick", "", "prove the map of this source of the configuration")
	flags.StringVar(&f.dark, "dark", "", "after sunset: prove that this source of the configuration says nothing odd in the dark")
	flags.StringVar(&f.config, "config", usualConfig, "configuration file, for --kick and --dark")
	return cmd
}

func (f surveyFlags) run(cmd *cobra.Command) error {
	out := cmd.OutOrStdout()
	talk := survey.NewTerminal(cmd.Context(), cmd.InOrStdin(), out)
	switch {
	case f.list:
		return f.listPorts(out)
	case f.kick != "" || f.dark != "":
		return f.proveMap(cmd, survey.New(talk))
	case slices.ContainsFunc(f.try, func(at int) bool { return at < 0 || at > 65535 }):
		return fmt.Errorf("cannot use --try %v: an address is from 0 to 65535", f.try)
	case !slices.Contains([]string{"none", "even", "odd"}, f.parity):
		return misused("cannot use --parity %q: it must be none, even or odd", f.parity)
	}
	if _, err := os.Stat(f.out); err == nil {
		return fmt.Errorf("cannot write %s: it exists already; give another --out", f.out)
	}
	r, err := survey.New(talk).Run(cmd.Context(), survey.Options{
		Settings: modbus.Settings{Port: f.port, TCP: f.tcp, Mode: modbus.Mode{Baud: f.baud, Parity: f.parity, StopBits: f.stopBits}},
		Unit:     f.unit, AllUnits: f.allUnits, Try: f.try, Thorough: f.thorough, PanelWatts: f.panelWatts,
	})
	return errors.Join(err, f.keep(out, r))
}

// keep writes the map, also after a survey that was stopped half way.
func (f surveyFlags) keep(out io.Writer, r survey.Result) error {
	if len(r.Findings) == 0 {
		return nil
	}
	if err := os.WriteFile(f.out, r.Map, 0o644); err != nil {
		return fmt.Errorf("cannot write the map: %w", err)
	}
	if strings.Contains(string(r.Map), "registers: []") {
		fmt.Fprintf(out, "Nothing could be decided: %s holds the evidence, but no register yet.\n", f.out)
	} else {
		fmt.Fprintf(out, "The map is in %s. Prove it: put it into the configuration, and run ebbwatch survey --kick SOURCE.\n", f.out)
	}
	if f.asJSON {
		return printList(out, "findings", findings(r.Findings))
	}
	return nil
}

func (f surveyFlags) listPorts(out io.Writer) error {
	ports, err := survey.Ports("")
	if err != nil {
		return err
	}
	if f.asJSON {
		return printList(out, "ports", listed(ports))
	}
	if len(ports) == 0 {
		fmt.Fprintln(out, "No serial port was found. Is the adapter plugged in?")
	}
	for _, p := range ports {
		fmt.Fprintln(out, p)
	}
	return nil
}

// proveMap runs the kick test on a source of the configuration.
func (f surveyFlags) proveMap(cmd *cobra.Command, s *survey.Survey) error {
	c, err := loadOrSay(cmd.ErrOrStderr(), f.config, config.Need{Sources: true})
	if err != nil {
		return err
	}
	name := cmp.Or(f.kick, f.dark)
	i := slices.IndexFunc(c.Sources, func(s config.Source) bool { return s.Name == name })
	if i < 0 {
		return fmt.Errorf("cannot prove %q: %s has no source of that name", name, f.config)
	}
	if f.kick == "" {
		site := plausible.Site{Cells: c.Battery.Cells, CapacityAh: c.Battery.CapacityAh, WattsPeak: c.Place().WattsPeak}
		verdicts, err := s.Dark(cmd.Context(), c.Sources[i].Source, site)
		return errors.Join(err, f.tell(cmd.OutOrStdout(), nil, verdicts))
	}
	return f.prove(cmd.Context(), cmd.OutOrStdout(), s, c.Sources[i].Source, c.Place().WattsPeak)
}

func (f surveyFlags) prove(ctx context.Context, out io.Writer, s *survey.Survey, src collector.Source, panelWatts float64) error {
	results, err := s.Kick(ctx, src, panelWatts)
	if err != nil && len(results) == 0 {
		return err
	}
	var notes []string
	for _, r := range results {
		notes = append(notes, r.Notes...)
	}
	return errors.Join(err, f.tell(out, notes, survey.Sum(results)))
}

// tell prints what a test of a map showed.
func (f surveyFlags) tell(out io.Writer, notes []string, verdicts []survey.KickVerdict) error {
	if f.asJSON {
		return printList(out, "proofs", proofs(verdicts))
	}
	for _, note := range notes {
		fmt.Fprintln(out, note)
	}
	for _, v := range verdicts {
		fmt.Fprintln(out, v)
	}
	return nil
}

// proof is a verdict for scripts; what was not expected in numbers is absent.
type proof struct {
	Quantity string   `json:"quantity"`
	Proof    string   `json:"proof"`
	Before   float64  `json:"before"`
	After    float64  `json:"after"`
	Expected *float64 `json:"expected,omitempty"`
	Why      string   `json:"why"`
}

func proofs(verdicts []survey.KickVerdict) []proof {
	out := []proof{}
	for _, v := range verdicts {
		p := proof{Quantity: v.Quantity.String(), Proof: fmt.Sprint(v.Proof), Before: v.Before, After: v.After, Why: v.Why}
		if !math.IsNaN(v.Expected) {
			p.Expected = &v.Expected
		}
		out = append(out, p)
	}
	return out
}

// finding is what is known of one quantity, for scripts; the pick stands as in a register map.
type finding struct {
	Quantity   string   `json:"quantity"`
	Verdict    string   `json:"verdict"`
	Pick       string   `json:"pick,omitempty"`
	Candidates []string `json:"candidates"`
	Sure       float64  `json:"sure"`
	Why        string   `json:"why,omitempty"`
	Evidence   []string `json:"evidence,omitempty"`
}

func findings(found []survey.Finding) []finding {
	out := []finding{}
	for _, f := range found {
		x := finding{Quantity: f.Quantity.String(), Verdict: string(f.Verdict), Sure: f.Sure, Why: f.Why, Evidence: f.Evidence, Candidates: []string{}}
		if f.Verdict == survey.Decided {
			x.Pick = f.Pick.String()
		}
		for _, c := range f.Candidates {
			x.Candidates = append(x.Candidates, c.String())
		}
		out = append(out, x)
	}
	return out
}

// port is a serial port, for scripts.
type port struct {
	Path    string `json:"path"`
	Device  string `json:"device"`
	What    string `json:"what,omitempty"`
	Busy    string `json:"in_use_by,omitempty"`
	Console bool   `json:"console,omitempty"`
}

func listed(ports []survey.Port) []port {
	out := []port{}
	for _, p := range ports {
		out = append(out, port(p))
	}
	return out
}
