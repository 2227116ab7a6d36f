package post

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"ebbwatch/alert"
)

// Target is whom a channel that speaks HTTP sends to, as its section of the configuration
// says it. Files are read at each notice, so that a key can be changed while the daemon
// runs, and a file that is missing for now fails a delivery, not the start.
type Target struct {
	URL         alert.Secret            `yaml:"url" secret:"true" doc:"address of the receiver; better kept in a file, where whoever knows it can write to you. It may be a template, with {{query .Title}}"`
	URLFile     string                  `yaml:"url_file" path:"true" example:"/etc/ebbwatch/hook.url" doc:"file that holds the address"`
	Headers     map[string]alert.Secret `yaml:"headers" secret:"true" doc:"further headers, each may be a template such as {{line .Title}}; Content-Type is application/json unless given here"`
	HeaderFiles map[string]string       `yaml:"header_files" path:"true" doc:"headers whose values are kept in files, such as Authorization"`
	Page        bool                    `yaml:"answers_page" doc:"true: the receiver itself answers with a web page; else that is taken for the log-in of a network, and the notice is kept"`
	Timeout     time.Duration           `yaml:"timeout" default:"10s" range:"1s..60s" doc:"how long a request may take"`
}

// Check finds what the tags cannot say.
func (t *Target) Check(problem func(key, what string)) {
	switch {
	case t.URL == "" && t.URLFile == "":
		problem("", "one of url and url_file is needed")
	case t.URL != "" && t.URLFile != "":
		problem("url_file", "is given beside url: only one of them can hold")
	case t.URL != "":
		if address, err := Fill(string(t.URL), Samples()[0]); err != nil {
			problem("url", err.Error())
		} else if err := CheckAddress(address); err != nil {
			problem("url", err.Error())
		}
	}
	for name, value := range t.Headers {
		for _, n := range Samples() {
			if _, err := Fill(string(value), n); err != nil {
				problem("headers."+name, err.Error())
				break
			}
		}
	}
}

// Receiver is a target with the client that reaches it, which channels over HTTP embed.
type Receiver struct {
	Target Target
	client *Client
}

// Receiver makes the receiver of a target.
func (t Target) Receiver() Receiver { return Receiver{t, t.Client()} }

// DialWith has connections opened by a function that may count what goes out.
func (r Receiver) DialWith(dial func(ctx context.Context, network, address string) (net.Conn, error)) {
	r.client.DialWith(dial)
}

// Format prints the receiver without its settings, some of which are secret.
func (r Receiver) Format(f fmt.State, _ rune) { io.WriteString(f, "a receiver over HTTP") }

// Ready tells what a delivery would fail at before anything is sent: see [alert.Readier].
func (r Receiver) Ready() error { return r.Target.Ready() }

// Post sends a body about a notice, below the target's address, with the headers that are
// given beside its own.
func (r Receiver) Post(ctx context.Context, n alert.Notice, method, below string, further http.Header, body []byte) error {
	address, err := r.Target.Address(n)
	if err != nil {
		return err
	}
	if below != "" {
		address = strings.TrimSuffix(address, "/") + below
	}
	header, err := r.Target.Header(n)
	if err != nil {
		return err
	}
	for name, values := range further {
		if name != "Content-Type" || header.Get(name) == "" {
			header[name] = values
		}
	}
	if header.Get("Content-Type") == "" {
		header.Set("Content-Type", "application/json")
	}
	return r.client.Send(ctx, method, address, header, body)
}

// Client makes a client with the target's timeout, ten seconds when it is zero.
func (t Target) Client() *Client {
	if t.Timeout == 0 {
		t.Timeout = 10 * time.Second
	}
	c := NewClient(t.Timeout)
	c.TakesPages = t.Page
	return c
}

// Address is where to send a notice; it may hold secrets.
func (t Target) Address(n alert.Notice) (address string, err error) {
	if address = string(t.URL); t.URLFile != "" {
		address, err = Secret(t.URLFile)
	}
	if err == nil {
		address, err = Fill(address, n)
	}
	if err == nil && t.URLFile != "" && CheckAddress(address) != nil {
		err = fmt.Errorf("cannot use what stands in %s: it %w", t.URLFile, CheckAddress(address))
	}
	return address, err
}

// Header is what a request about a notice carries; it may hold secrets.
func (t Target) Header(n alert.Notice) (http.Header, error) {
	h := http.Header{}
	for name, value := range t.Headers {
		text, err := Fill(string(value), n)
		if err != nil {
			return nil, fmt.Errorf("cannot use the header %s: it %w", name, err)
		}
		if strings.Contains(string(value), "{{") {
			text = line(text)
		}
		h.Set(name, text)
	}
	for name, file := range t.HeaderFiles {
		value, err := Secret(file)
		if err != nil {
			return nil, err
		}
		h.Set(name, value)
	}
	return h, nil
}

// Ready tells what a delivery would fail at before anything is sent: see [alert.Readier].
func (t Target) Ready() error {
	if _, err := t.Address(Samples()[0]); err != nil {
		return err
	}
	_, err := t.Header(Samples()[0])
	return err
}
