package daemon

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"
)

// localName is the socket in the state folder on which the daemon answers programs of its own
// machine as it does on its page. Who may read the folder may ask: it takes neither the address,
// nor the certificate, nor a password of the page.
const localName = "local.sock"

// ListenLocal opens the socket. The folder must be locked: what an earlier run left is removed.
func ListenLocal(state string) (net.Listener, error) {
	path := filepath.Join(state, localName)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	l, err := new(net.ListenConfig).Listen(context.Background(), "unix", path)
	if err != nil {
		return nil, err
	}
	return l, os.Chmod(path, 0o600)
}

// LocalURL is the address of the daemon for a client that [LocalClient] made.
const LocalURL = "http://localhost"

// LocalClient asks the daemon that owns a state folder through its socket. It tells false where
// nobody answers there.
func LocalClient(ctx context.Context, state string) (*http.Client, bool) {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		d := net.Dialer{Timeout: 5 * time.Second}
		return d.DialContext(ctx, "unix", filepath.Join(state, localName))
	}
	c, err := dial(ctx, "", "")
	if err != nil {
		return nil, false
	}
	_ = c.Close() // it was there
	return &http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true}}, true
}
