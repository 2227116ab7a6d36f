package post

import (
	"net/http"
	"time"

	"ebbwatch/alert"
)

// Target is whom a channel that speaks HTTP sends to, as its section of the configuration
// says it. Files are read at each notice, so that a key can be changed while the daemon
// runs, and a file that is missing for now fails a delivery, not the start.
type Target struct {
	URL         alert.Secret            `yaml:"url" secret:"true" doc:"address of the receiver; better kept in a file, where whoever knows it can write to you"`
	URLFile     string                  `yaml:"url_file" path:"true" example:"/etc/ebbwatch/hook.url" doc:"file that holds the address"`
	Headers     map[string]alert.Secret `yaml:"headers" secret:"true" doc:"further headers; Content-Type is application/json unless given here"`
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
		if err := CheckAddress(string(t.URL)); err != nil {
			problem("url", err.Error())
		}
	}
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

// Address is where to send; it may hold secrets.
func (t Target) Address() (string, error) { return Address(t.URL, t.URLFile) }

// Header is what every request carries; it may hold secrets.
func (t Target) Header() (http.Header, error) {
	h := http.Header{"Content-Type": {"application/json"}}
	for name, value := range t.Headers {
		h.Set(name, string(value))
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
	if _, err := t.Address(); err != nil {
		return err
	}
	_, err := t.Header()
	return err
}
