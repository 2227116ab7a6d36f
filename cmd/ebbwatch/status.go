package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/status"
	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/webclient"
)

// statusFlags say which daemon to ask and how to show it.
type statusFlags struct {
	url    string
	asJSON bool
	watch  time.Duration
}

func statusCommand() *cobra.Command {
	var f statusFlags
	cmd := &cobra.Command{
		Use:   "status [--url URL]",
		Short: "Show a running daemon's state on one screen",
		Long: `Shows what a running daemon knows. The exit code is 0 when all is well, 1 on a warning, 2 when it is
critical, and 3 when that is not known or the daemon cannot be asked.`,
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	cmd.Flags().StringVar(&f.url, "url", "http://127.0.0.1:9777", "address of the daemon's page")
	cmd.Flags().BoolVar(&f.asJSON, "json", false, "print the state as JSON")
	cmd.Flags().DurationVar(&f.watch, "watch", 0, "show it again each time this long has passed, such as 10s")
	return cmd
}

func (f statusFlags) run(cmd *cobra.Command) error {
	for {
		level, err := f.once(cmd.Context(), cmd.OutOrStdout())
		if f.watch <= 0 {
			if err != nil {
				fmt.Fprintln(cmd.ErrOrStderr(), "ebbwatch:", err)
				return exitCode(3)
			}
			if code := status.Code(level); code != 0 {
				return exitCode(code)
			}
			return nil
		}
		if err != nil {
			fmt.Fprintln(cmd.OutOrStdout(), err)
		}
		select {
		case <-cmd.Context().Done():
			return nil
		case <-time.After(max(f.watch, time.Second)):
		}
	}
}

// once asks and shows.
func (f statusFlags) once(ctx context.Context, out io.Writer) (facts.Level, error) {
	st, raw, err := askState(ctx, f.url)
	if err != nil {
		return "", err
	}
	if f.asJSON {
		_, err = out.Write(raw)
		return facts.Level(st.Level), err
	}
	o := status.Options{}
	if file, ok := onTerminal(out); ok {
		o.Color = os.Getenv("NO_COLOR") == ""
		if width, _, err := term.GetSize(int(file.Fd())); err == nil {
			o.Width = width
		}
		if f.watch > 0 {
			fmt.Fprint(out, "\x1b[H\x1b[2J") // from the top of a clean screen
		}
	}
	return facts.Level(st.Level), status.Write(out, *st, o)
}

// askState fetches the state of a running daemon.
func askState(ctx context.Context, url string) (st *nodestate.State, raw []byte, err error) {
	url = strings.TrimRight(url, "/") + nodestate.Path
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, nil, fmt.Errorf("cannot ask %s: %w", url, err)
	}
	res, err := webclient.New(webclient.Options{Timeout: 10 * time.Second}).Do(req)
	if err != nil {
		return nil, nil, fmt.Errorf("cannot ask the daemon: %w", err)
	}
	defer res.Body.Close()
	raw, err = io.ReadAll(io.LimitReader(res.Body, nodestate.MaxBytes))
	if err != nil {
		return nil, nil, fmt.Errorf("cannot read from %s: %w", url, err)
	}
	if res.StatusCode != http.StatusOK {
		return nil, nil, fmt.Errorf("cannot ask %s: it answers %s: %.200s", url, res.Status, strings.TrimSpace(string(raw)))
	}
	if st, err = nodestate.Parse(raw); err != nil {
		return nil, nil, fmt.Errorf("cannot understand %s: %w", url, err)
	}
	return st, raw, nil
}
