package main

import (
	"context"
	"encoding/json"
	"log/slog"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/remotewrite"
	"ebbwatch/cmd/internal/statedir"
)

// backgroundTasks are the parts that run beside the loop and that it never waits for, and the
// writer that sends the history on, nil where none does.
func backgroundTasks(c loaded, store *statedir.Dir, h *history.Store, log *slog.Logger) (parts []task, sending *remotewrite.Writer) {
	if c.Weather != nil {
		parts = append(parts, task{"the forecast", func(ctx context.Context, loop *daemon.Loop) { watchWeather(ctx, c, store, loop, log) }})
	}
	if c.RemoteWrite != nil {
		sending = remotewrite.New(h, c.RemoteWrite.Options(c.Site.Name, c.sent.DialContext, log))
		parts = append(parts, task{"remote write", func(ctx context.Context, _ *daemon.Loop) { sending.Run(ctx) }})
	}
	if c.Heartbeat != nil {
		parts = append(parts, task{"the heartbeat", func(ctx context.Context, loop *daemon.Loop) {
			h := heartbeat.New(*c.Heartbeat, log)
			h.DialWith(c.sent.DialContext)
			h.Run(ctx, loop.Snapshot)
		}})
	}
	return parts, sending
}

// troubles gathers what the parts complain of.
func troubles(of ...func() string) func() []string {
	return func() []string {
		var out []string
		for _, what := range of {
			if text := what(); text != "" {
				out = append(out, text)
			}
		}
		return out
	}
}

// notes keeps each notice for reports.
func notes(h *history.Store) func(alert.Notice) {
	return func(n alert.Notice) {
		if text, err := json.Marshal(n); err == nil { // a notice always marshals
			h.Note(n.At, text)
		}
	}
}
