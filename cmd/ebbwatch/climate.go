package main

import (
	"encoding/json"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/climate"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/estimator/outlook"
)

// climateAsk are the flags of climate.
type climateAsk struct {
	config, file, url string
	json              bool
}

func climateCommand() *cobra.Command {
	var a climateAsk
	cmd := &cobra.Command{
		Use:   "climate [--config FILE] [--file FILE | --url ADDRESS]",
		Short: "Fetch the site's own record of sun and temperature, once; the outlook then knows what is normal there",
		Long: "Without --file, one request goes out: some years of days at the coordinates of the configuration, to a hundredth\n" +
			"of a degree, of at most 4 MB. Nothing is ever fetched by itself. CSV and JSON of days or monthly means are read;\n" +
			"the unit of the irradiation is found out and said. A daemon uses the record from its next start on.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.run(cmd)
		},
	}
	configFlag(cmd, &a.config)
	flags := cmd.Flags()
	flags.StringVar(&a.file, "file", "", "a file with the record, instead of asking for it")
	flags.StringVar(&a.url, "url", "", "address of another service than the usual one; {lat}, {lon}, {from} and {to} are filled in")
	flags.BoolVar(&a.json, "json", false, "say what was got as JSON")
	cmd.MarkFlagsMutuallyExclusive("file", "url")
	return cmd
}

func (a climateAsk) run(cmd *cobra.Command) error {
	c, err := loadOrSay(cmd.ErrOrStderr(), a.config, config.Need{State: true})
	if err != nil {
		return err
	}
	if a.url == "" {
		a.url = climate.Usual
	}
	var r *climate.Record
	if a.file != "" {
		r, err = climate.Open(a.file, c.Site.Latitude, c.Site.Longitude, c.Site.AltitudeM, time.Now())
	} else {
		r, err = climate.Fetch(cmd.Context(), a.url, c.Site.Latitude, c.Site.Longitude, c.Site.AltitudeM, time.Now())
	}
	if err != nil {
		return err
	}
	if err := climate.Keep(c.State, r); err != nil {
		return err
	}
	return a.say(cmd.OutOrStdout(), r, c)
}

// say tells what there is, from whom, and what the outlook makes of it.
func (a climateAsk) say(out io.Writer, r *climate.Record, c loaded) error {
	if a.json {
		return json.NewEncoder(out).Encode(map[string]any{
			"from": r.From, "got": r.Got, "rows": len(r.Rows), "monthly": r.Monthly, "unit": r.Unit, "insolation_kwh_m2_day": r.Insolation(),
		})
	}
	fmt.Fprintf(out, "Kept in %s: %s.\nMonthly means, kWh/m² a day:", c.State, r.Words())
	for _, x := range r.Insolation() {
		fmt.Fprintf(out, " %.1f", x)
	}
	fmt.Fprintln(out, ".")
	if len(c.Site.Insolation) == 12 {
		fmt.Fprintln(out, "The means of the configuration go before these.")
	}
	if _, ok := r.Air(); !ok {
		fmt.Fprintln(out, "It holds too few temperatures: what is normal there stays a rough guess by latitude.")
	}
	return nil
}

// placed is the site with what its record says; the owner's own means go before it.
func placed(c loaded) outlook.Site {
	site := c.Place()
	r, _ := siteRecord(c) // what is wrong with it is said at the start, see climateNote
	if r == nil {
		return site
	}
	if len(site.Insolation) != 12 {
		site.Insolation = r.Insolation()
	}
	if air, ok := r.Air(); ok {
		site.Air = &air
	}
	return site
}

// siteRecord is the record that was fetched for the site; nil where there is none.
func siteRecord(c loaded) (*climate.Record, error) {
	if c.State == "" {
		return nil, nil
	}
	r, err := climate.Kept(c.State)
	if err == nil && r != nil && !r.Of(c.Site.Latitude, c.Site.Longitude) {
		return nil, fmt.Errorf("cannot use the climate that was kept: it is of %.2f, %.2f, and the site is at %.2f, %.2f; fetch it again with ebbwatch climate",
			r.Latitude, r.Longitude, c.Site.Latitude, c.Site.Longitude)
	}
	return r, err
}

// climateNote says what the outlook takes for normal at the site.
func climateNote(c loaded) string {
	switch r, err := siteRecord(c); {
	case err != nil:
		return err.Error()
	case r != nil:
		return "the climate of the site: " + r.Words()
	case len(c.Site.Insolation) == 12:
		return "the climate of the site: the monthly means of the configuration; temperatures are a rough guess by latitude"
	}
	return "the climate of the site is a rough guess by latitude: ebbwatch climate fetches its own record, once"
}
