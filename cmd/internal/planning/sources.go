package planning

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"time"

	"ebbwatch/cmd/internal/climate"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/regular"
	"ebbwatch/collector/webclient"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/sky"
)

// mostTable is the largest table that is taken, bytes.
const mostTable = 8 << 20

// Fetch asks for a monthly table. Only HTTPS is taken, or plain HTTP from this machine.
func Fetch(ctx context.Context, address string) (plan.Monthly, error) {
	u, err := url.Parse(address)
	if err != nil {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table: %w", err)
	}
	if u.Scheme != "https" && !(u.Scheme == "http" && loopback(u.Hostname())) {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table from %s: only HTTPS is asked", u.Host)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table: %w", err)
	}
	resp, err := webclient.New(webclient.Options{Timeout: time.Minute, Redirects: webclient.Followed}).Do(req)
	if err != nil {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table from %s: %w", u.Host, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table: %s answered %s", u.Host, resp.Status)
	}
	data, err := io.ReadAll(io.LimitReader(resp.Body, mostTable+1))
	if err != nil {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table from %s: %w", u.Host, err)
	}
	if len(data) > mostTable {
		return plan.Monthly{}, fmt.Errorf("cannot fetch the monthly table: %s sent more than %d MB", u.Host, mostTable>>20)
	}
	m, err := plan.ParseMonthly(data)
	if err != nil {
		return m, fmt.Errorf("cannot use what %s sent: %w", u.Host, err)
	}
	return m, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Table reads a monthly table from a file.
func Table(path string) (plan.Monthly, error) {
	data, err := regular.Read(path)
	if err != nil {
		return plan.Monthly{}, fmt.Errorf("cannot read the monthly table: %w", err)
	}
	m, err := plan.ParseMonthly(data)
	if err != nil {
		return m, fmt.Errorf("%s: %w", path, err)
	}
	return m, nil
}

// Record reads a measured record.
func Record(path string) ([]plan.Day, error) {
	f, err := regular.Open(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the measured record: %w", err)
	}
	defer f.Close()
	return plan.ParseDays(f, path)
}

// memory is the part of what the daemon saves that a plan can use.
type memory struct {
	Belief  battery.State
	Outlook outlook.State
	Wall    time.Time
}

// Learned reads what the daemon saved in its state folder; nil where it saved nothing yet.
func Learned(folder string) (*plan.Learned, time.Time, error) {
	var m memory
	err := statedir.Peek(folder, "node", &m)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, time.Time{}, nil
	case err != nil:
		return nil, time.Time{}, err
	}
	return &plan.Learned{Outlook: m.Outlook, Belief: m.Belief}, m.Wall, nil
}

// Options are what the owner asks of a plan beside the configuration.
type Options struct {
	Winters int    // years that are drawn
	Seed    uint64 // the same seed draws the same years
	Learned string // state folder; empty for that of the configuration
	Label   bool   // leave out what the node learned
	Brief   bool   // the verdict alone: no changes, sizes and doubts
	Now     time.Time
	// Progress is told what is done and how far it is; may be nil.
	Progress func(what string, done, of int)
}

// inputs are a kit and what it is held against.
type inputs struct {
	kit      *plan.Kit
	days     []plan.Day
	notes    []string
	learned  string
	measured string
}

// gather brings together what a plan rests on.
func gather(ctx context.Context, c *config.Config, d Drawing, o Options) (inputs, error) {
	in := inputs{kit: &plan.Kit{Site: c.Place(), Battery: c.Battery.Model(), Target: d.Assume.Target}}
	k := in.kit
	if k.Site.WattsPeak == 0 {
		return in, fmt.Errorf("cannot plan: %s has no section array (the panel)", c.File)
	}
	k.Load = profile(d.Loads, k.Battery.Cells)
	k.Weather = plan.Weather{
		AirCelsius: d.Assume.AirCelsius, SnowDays: d.Assume.SnowDays,
		BoxWarmer: d.Assume.BoxWarmerK, NoInhibit: d.Assume.ColdCharge,
		Release: d.Assume.Release, WarmTo: d.Assume.WarmTo, LossWK: d.Assume.LossWK,
	}
	for _, corner := range d.Assume.Horizon {
		k.Weather.Horizon = append(k.Weather.Horizon, plan.Obstacle{AzimuthDeg: corner.Azimuth, HeightDeg: corner.Height})
	}
	if err := in.sun(ctx, d.Assume); err != nil {
		return in, err
	}
	in.climate(cmp.Or(o.Learned, c.State))
	if len(k.Weather.AirCelsius) == 0 {
		air := sky.UsualAir(k.Site.Latitude, k.Site.Longitude, k.Site.AltitudeM)
		k.Weather.AirCelsius, k.Weather.Guessed = air.Months(k.Site.Latitude), true
	}
	if err := in.learn(c, d, o); err != nil {
		return in, err
	}
	if k.Load.Mean() <= 0 {
		return in, fmt.Errorf("cannot plan: what the node draws is not in %s, nor has it been measured for %d days; add two lines with your own watts:\nloads:\n  - {name: radio, watts: 6}", c.File, learnedDays)
	}
	return in, nil
}

// sun finds the monthly means: a table first, then the configuration's own, then those of
// the measured record.
func (in *inputs) sun(ctx context.Context, a Assume) error {
	table, err := plan.Monthly{}, error(nil)
	switch {
	case a.SunFile != "":
		table, err = Table(a.SunFile)
	case a.SunURL != "":
		table, err = Fetch(ctx, a.SunURL)
		in.notes = append(in.notes, "To plan without the network from now on, write into the section site:\ninsolation_kwh_m2_day: "+list(table.Sun, 2))
	}
	if err != nil {
		return err
	}
	if len(table.Sun) == 12 {
		if err := sky.CheckInsolation(table.Sun, in.kit.Site.Latitude, in.kit.Site.AltitudeM); err != nil {
			return fmt.Errorf("cannot use the monthly table: %w", err)
		}
	}
	if a.Measured != "" {
		in.measured = a.Measured
		if in.days, err = Record(a.Measured); err != nil {
			return err
		}
		in.kit.Weather.AirSpread = plan.AirSpread(in.days, in.kit.Site.Latitude < 0)
		if means := plan.Means(in.days); len(table.Sun) == 0 && len(in.kit.Site.Insolation) == 0 {
			table = means
		} else if len(table.Air) == 0 {
			table.Air = means.Air
		}
	}
	if len(table.Sun) == 12 {
		in.kit.Site.Insolation = table.Sun
	}
	if len(in.kit.Weather.AirCelsius) == 0 {
		in.kit.Weather.AirCelsius = table.Air
	}
	return nil
}

// climate takes from the site's own record, which `ebbwatch climate` fetched into the state
// folder, what the owner gives neither in the plan nor in a table.
func (in *inputs) climate(folder string) {
	site, weather := &in.kit.Site, &in.kit.Weather
	if folder == "" {
		return
	}
	record, err := climate.Kept(folder)
	if err != nil {
		in.notes = append(in.notes, "The record of the climate is not used: "+err.Error()+".")
		return
	}
	if !record.Of(site.Latitude, site.Longitude) {
		return
	}
	used := false
	if len(site.Insolation) != 12 {
		site.Insolation, used = record.Insolation(), true
	}
	if air, ok := record.Air(); ok && len(weather.AirCelsius) == 0 {
		weather.AirCelsius, used = air.Months(site.Latitude), true
	}
	if used {
		in.notes = append(in.notes, "From the record of the site's climate: "+record.Words()+".")
	}
}

// learnedDays is how long a node must have run for its load to be taken over.
const learnedDays = 3

func (in *inputs) learn(c *config.Config, d Drawing, o Options) error {
	folder := o.Learned
	if folder == "" {
		folder = c.State
	}
	if folder == "" || o.Label {
		return nil
	}
	l, at, err := Learned(folder)
	switch {
	case err != nil:
		return fmt.Errorf("cannot use what the node learned (--label leaves it out): %w", err)
	case l == nil && o.Learned != "":
		return fmt.Errorf("cannot use what the node learned: nothing is saved in %s", folder)
	case l == nil:
		return nil
	}
	in.learned = fmt.Sprintf("What the node taught until %s overrides the label: panel (%.0f days), battery, horizon and sky", at.Format(time.DateOnly), l.Outlook.Panel.Days)
	if in.kit.Learn(l, learnedDays) {
		in.learned += fmt.Sprintf(", and the load (%.1f W)", l.Outlook.Load.Level)
		if len(d.Loads) > 0 {
			in.learned += "; the list of loads tells only what may be shed"
		}
	}
	if celsius, known := l.Outlook.Warmth.ReleaseCelsius(); known {
		in.kit.Weather.Release = celsius
		in.learned += fmt.Sprintf("; after a frost its battery took charge again at %.1f °C", celsius)
	}
	in.learned += "."
	return nil
}
