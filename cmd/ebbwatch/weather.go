package main

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"time"

	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/weather"
)

// watchWeather hands each new forecast to the loop until the context ends. A failure is
// logged when it is new; the outlook goes on with the last forecast, or with none.
func watchWeather(ctx context.Context, c loaded, store *statedir.Dir, loop *daemon.Loop, log *slog.Logger) {
	client, err := weather.New(*c.Weather, c.Site.Latitude, c.Site.Longitude, keptWeather{store}, "ebbwatch/"+build().Version)
	if err != nil {
		log.Error("no forecasts", "err", err) // the configuration was checked before
		return
	}
	client.DialWith(c.sent.DialContext)
	var issued time.Time
	var failure string
	for {
		now := time.Now()
		f, err := client.Fetch(ctx, now)
		switch {
		case err == nil && failure != "":
			log.Info("forecasts come again")
			failure = ""
		case err != nil && ctx.Err() == nil && err.Error() != failure:
			failure = err.Error()
			log.Warn("no new forecast; going on with what there is", "err", err)
		}
		if f != nil && !f.Issued.Equal(issued) {
			issued = f.Issued
			loop.Forecast(ctx, f)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(max(time.Minute, min(client.Due().Sub(now), 30*time.Minute))):
		}
	}
}

// keptWeather is the place in the state folder where the last forecast is kept.
type keptWeather struct{ *statedir.Dir }

const weatherState = "weather"

func (k keptWeather) Save(v any) error { return k.Dir.Save(weatherState, v) }

func (k keptWeather) Load(v any) error {
	if problems := k.Dir.Load(weatherState, v).Problems; len(problems) > 0 {
		return errors.New(strings.Join(problems, "; "))
	}
	return nil
}
