package webhook

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
)

// Config is the section of a webhook.
type Config struct {
	post.Target
	Method   string            `yaml:"method" default:"POST" oneof:"POST PUT GET" doc:"how it is sent"`
	Template string            `yaml:"template" doc:"makes the body, a Go text/template over the notice: {{json .Title}}, {{json .Plain}}; the notice as JSON when left out"`
	Form     map[string]string `yaml:"form" doc:"fields of a form that is sent as the body, each a template such as {{.Plain}}"`
	HMACFile string            `yaml:"hmac_secret_file" path:"true" doc:"file with a key; the body is then signed in the header Ebbwatch-Signature: sha256=…"`
}

// Check finds what the tags cannot say: the templates are filled with notices as they come in
// earnest.
func (c *Config) Check(problem func(key, what string)) {
	c.Target.Check(problem)
	if c.Template != "" && len(c.Form) > 0 {
		problem("form", "is given beside template: only one of them can be the body")
	}
	key := "template"
	if len(c.Form) > 0 {
		key = "form"
	}
	for _, n := range post.Samples() {
		if _, err := c.write(n); err != nil {
			problem(key, err.Error())
			return
		}
	}
}

// Kind is this channel for the configuration.
func Kind() alert.Kind {
	return alert.Kind{
		Name:    "webhook",
		Summary: "an HTTP receiver: the notice as JSON, or what a template makes of it",
		Sample:  "url_file: /etc/ebbwatch/hook.url\n",
		New:     alert.Open(New),
	}
}

// Channel is one receiver.
type Channel struct {
	post.Receiver
	c Config
}

// New makes a channel.
func New(c Config) *Channel {
	c.Method = cmp.Or(c.Method, http.MethodPost)
	return &Channel{Receiver: c.Target.Receiver(), c: c}
}

// Send implements [alert.Channel]. Receivers can drop repeats by the header Idempotency-Key,
// which is the same when a notice is sent again.
func (c *Channel) Send(ctx context.Context, n alert.Notice) error {
	body, err := c.c.write(n)
	if err != nil {
		return alert.Refused(fmt.Errorf("cannot write the notice for the webhook: its template %w", err))
	}
	further, err := c.c.header(n, body)
	if err != nil {
		return err
	}
	return c.Post(ctx, n, c.c.Method, "", further, body)
}

// write makes the body. What is to be JSON must be: a receiver refuses anything else, and a
// text with quotes or two lines between plain quotes is none.
func (c *Config) write(n alert.Notice) ([]byte, error) {
	if len(c.Form) > 0 {
		fields := url.Values{}
		for name, text := range c.Form {
			value, err := post.Fill(text, n)
			if err != nil {
				return nil, fmt.Errorf("of %s %w", name, err)
			}
			fields.Set(name, value)
		}
		return []byte(fields.Encode()), nil
	}
	if c.Template == "" {
		return json.Marshal(n)
	}
	text, err := post.Fill(c.Template, n)
	if err == nil && c.isJSON() && !json.Valid([]byte(text)) {
		err = errors.New("makes broken JSON of a notice with quotes or several lines: write {{json .Title}} without quotes around it, " +
			"join texts as {{json (print .Title \": \" .Text)}}, or give another Content-Type under headers")
	}
	return []byte(text), err
}

// isJSON tells whether the body is to be JSON, which it is unless a header says otherwise.
func (c *Config) isJSON() bool {
	for name, value := range c.Headers {
		if strings.EqualFold(name, "Content-Type") {
			return strings.Contains(string(value), "json")
		}
	}
	for name := range c.HeaderFiles {
		if strings.EqualFold(name, "Content-Type") {
			return false
		}
	}
	return true
}

func (c *Config) header(n alert.Notice, body []byte) (http.Header, error) {
	h := http.Header{"Idempotency-Key": {fmt.Sprintf("%s.%s.%s", n.ID, n.Phase, n.At.UTC().Format("20060102T150405Z"))}}
	if len(c.Form) > 0 {
		h.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if c.HMACFile != "" {
		key, err := post.Secret(c.HMACFile)
		if err != nil {
			return nil, err
		}
		h.Set("Ebbwatch-Signature", "sha256="+Sign([]byte(key), body))
	}
	return h, nil
}

// Ready implements [alert.Readier].
func (c *Channel) Ready() error {
	_, err := c.c.header(alert.Notice{}, nil)
	return errors.Join(c.Receiver.Ready(), err)
}

// Sign is the signature of a body: HMAC with SHA-256 (RFC 2104), in hexadecimal. A receiver
// computes it over the raw body and compares in constant time.
func Sign(key, body []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write(body)
	return hex.EncodeToString(mac.Sum(nil))
}
