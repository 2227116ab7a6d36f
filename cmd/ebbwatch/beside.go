package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"os"
	"strings"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/remotewrite"
	"ebbwatch/cmd/internal/statedir"
)

// backgroundTasks are the parts that run beside the loop and that it never waits for, and what is
// wrong with sending on.
func backgroundTasks(c loaded, store *statedir.Dir, h *history.Store, log *slog.Logger) (parts []task, trouble func() string, err error) {
	trouble = func() string { return "" }
	if c.Weather != nil {
		parts = append(parts, task{"the forecast", func(ctx context.Context, loop *daemon.Loop) { watchWeather(ctx, c, store, loop, log) }})
	}
	if c.RemoteWrite != nil {
		w, err := remoteWriter(c, h, log)
		if err != nil {
			return nil, nil, err
		}
		trouble = func() string { return w.Stats().Problem }
		parts = append(parts, task{"remote write", func(ctx context.Context, _ *daemon.Loop) { w.Run(ctx) }})
	}
	if c.Heartbeat != nil {
		parts = append(parts, task{"the heartbeat", func(ctx context.Context, loop *daemon.Loop) {
			h := heartbeat.New(*c.Heartbeat, log)
			h.DialWith(c.sent.DialContext)
			h.Run(ctx, loop.Snapshot)
		}})
	}
	return parts, trouble, nil
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

func remoteWriter(c loaded, h *history.Store, log *slog.Logger) (*remotewrite.Writer, error) {
	r := c.RemoteWrite
	url := r.URL
	if r.URLFile != "" {
		text, err := os.ReadFile(r.URLFile)
		if err != nil {
			return nil, fmt.Errorf("cannot read the address for remote write: %w", err)
		}
		url = strings.TrimSpace(string(text))
	}
	labels := map[string]string{"job": "ebbwatch", "instance": c.Site.Name}
	maps.Copy(labels, r.Labels)
	client := &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{
		Proxy: http.ProxyFromEnvironment, DialContext: c.sent.DialContext, IdleConnTimeout: 90 * time.Second, TLSHandshakeTimeout: 30 * time.Second,
	}}
	return remotewrite.New(h, remotewrite.Options{URL: url, Labels: labels, Bearer: bearer(r), Client: client, Rate: r.BytesPerS, Log: log})
}

// bearer reads the token each time, so that it can be changed while the daemon runs.
func bearer(r *config.RemoteWrite) func() (string, error) {
	if r.BearerFile == "" {
		return nil
	}
	return func() (string, error) {
		text, err := os.ReadFile(r.BearerFile)
		if err != nil {
			return "", fmt.Errorf("cannot read the token for remote write: %w", err)
		}
		return strings.TrimSpace(string(text)), nil
	}
}
