package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"time"

	toolkit "github.com/prometheus/exporter-toolkit/web"

	"ebbwatch/collector/regular"
)

// Server is the HTTP server with its limits.
type Server struct {
	Handler http.Handler
	// ConfigFile is a web configuration file of the Prometheus exporter toolkit, for TLS
	// and passwords; empty: neither.
	ConfigFile string
	// Hosts are the names under which it may be asked, see [Hosts]; none: under any.
	Hosts []string
	Log   *slog.Logger
}

// Check tells what is wrong with the web configuration file.
func Check(configFile string) error {
	if configFile == "" {
		return nil
	}
	f, err := regular.Open(configFile)
	if err != nil {
		return fmt.Errorf("cannot use the web configuration file: %w", err)
	}
	_ = f.Close() // it is read by those who know its form
	if err := toolkit.Validate(configFile); err != nil {
		return fmt.Errorf("cannot use the web configuration file %s: %w", configFile, err)
	}
	return nil
}

// CheckAddress says what is wrong with an address to listen on. One without a host is refused:
// who may look is the owner's choice to make, not a default.
func CheckAddress(addr string) error {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("%q is not an address and port such as 127.0.0.1:9777", addr)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return fmt.Errorf("port %q is outside 0..65535", port)
	}
	if host == "" {
		return fmt.Errorf("%q names no address to bind to: write 127.0.0.1:%s, or 0.0.0.0:%s for every interface", addr, port, port)
	}
	return nil
}

// Listen opens the address.
func Listen(ctx context.Context, addr string) (net.Listener, error) {
	if err := CheckAddress(addr); err != nil {
		return nil, fmt.Errorf("cannot listen: %w", err)
	}
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("cannot listen on %q: %w", addr, err)
	}
	return l, nil
}

// Serve serves until the context ends, then lets running answers finish for up to two
// seconds. It closes the listener.
func (s Server) Serve(ctx context.Context, l net.Listener) error {
	log := s.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	srv := &http.Server{
		Handler:           noteBusy(onlyHosts(s.Hosts, s.Handler)),
		ConnContext:       remember,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      60 * time.Second, // a page over a bad link takes a while
		IdleTimeout:       30 * time.Second,
		MaxHeaderBytes:    8 << 10,
		ErrorLog:          slog.NewLogLogger(slog.DiscardHandler, slog.LevelError), // a hostile client must not fill the log
		HTTP2:             &http.HTTP2Config{MaxConcurrentStreams: 16, MaxReceiveBufferPerConnection: 64 << 10},
	}
	done := make(chan error, 1)
	go func() {
		addrs := []string{l.Addr().String()}
		done <- toolkit.Serve(newSlots(l), srv,
			&toolkit.FlagConfig{WebListenAddresses: &addrs, WebConfigFile: &s.ConfigFile}, log)
	}()
	select {
	case err := <-done:
		_ = l.Close() // the toolkit may fail before it serves
		return fmt.Errorf("cannot serve on %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	return s.stop(srv, l, done)
}

func (s Server) stop(srv *http.Server, l net.Listener, done <-chan error) error {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	err := srv.Shutdown(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		err = srv.Close() // what a slow client still wants is not worth waiting for
	}
	_ = l.Close() // closed already, unless the server had not begun
	if served := <-done; !errors.Is(served, http.ErrServerClosed) && !errors.Is(served, net.ErrClosed) {
		err = errors.Join(err, served)
	}
	if err != nil {
		return fmt.Errorf("cannot stop serving on %s: %w", l.Addr(), err)
	}
	return nil
}
