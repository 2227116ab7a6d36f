package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"text/template"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
)

// Config is the section of a webhook.
type Config struct {
	post.Target
	Method   string `yaml:"method" default:"POST" oneof:"POST PUT" doc:"how it is sent"`
	Template string `yaml:"template" doc:"makes the body, a Go text/template over the notice: {{json .Title}}, {{json .Plain}}; the notice as JSON when left out"`
	HMACFile string `yaml:"hmac_secret_file" path:"true" doc:"file with a key; the body is then signed in the header Ebbwatch-Signature: sha256=…"`
}

// Check finds what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) {
	c.Target.Check(problem)
	if _, err := parse(c.Template); err != nil {
		problem("template", "cannot be read: "+strings.TrimPrefix(err.Error(), "template: "))
	}
}

// Kind is this channel for the configuration.
func Kind() alert.Kind {
	return alert.Kind{
		Name:    "webhook",
		Summary: "an HTTP receiver: the notice as JSON, or what a template makes of it",
		Sample:  "url_file: /etc/ebbwatch/hook.url\n",
		New:     open,
	}
}

func open(d alert.Decoder) (alert.Channel, error) {
	var c Config
	if err := d.Decode(&c); err != nil {
		return nil, err
	}
	return New(c)
}

// Channel is one receiver.
type Channel struct {
	c      Config
	body   *template.Template // nil: the notice as JSON
	client *post.Client
}

// New makes a channel.
func New(c Config) (*Channel, error) {
	if c.Method == "" {
		c.Method = http.MethodPost
	}
	body, err := parse(c.Template)
	if err != nil {
		return nil, fmt.Errorf("cannot read the webhook's template: %w", err)
	}
	return &Channel{c: c, body: body, client: c.Client()}, nil
}

// parse reads a template; nil when there is none.
func parse(text string) (*template.Template, error) {
	if text == "" {
		return nil, nil
	}
	return template.New("body").Option("missingkey=error").Funcs(template.FuncMap{"json": asJSON}).Parse(text)
}

func asJSON(v any) (string, error) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return strings.TrimSuffix(b.String(), "\n"), err
}

// DialWith has connections opened by a function that may count what goes out.
func (c *Channel) DialWith(dial func(ctx context.Context, network, address string) (net.Conn, error)) {
	c.client.DialWith(dial)
}

// Format prints the channel without its settings, some of which are secret.
func (c *Channel) Format(f fmt.State, _ rune) { io.WriteString(f, "webhook") }

// Send implements [alert.Channel]. Receivers can drop repeats by the header Idempotency-Key,
// which is the same when a notice is sent again.
func (c *Channel) Send(ctx context.Context, n alert.Notice) error {
	body, err := c.write(n)
	if err != nil {
		return alert.Refused(fmt.Errorf("cannot write the notice for the webhook: %w", err))
	}
	address, err := c.c.Address()
	if err != nil {
		return err
	}
	header, err := c.header(n, body)
	if err != nil {
		return err
	}
	return c.client.Send(ctx, c.c.Method, address, header, body)
}

func (c *Channel) write(n alert.Notice) ([]byte, error) {
	if c.body == nil {
		return json.Marshal(n)
	}
	var b bytes.Buffer
	err := c.body.Execute(&b, n)
	return b.Bytes(), err
}

func (c *Channel) header(n alert.Notice, body []byte) (http.Header, error) {
	h, err := c.c.Header()
	if err != nil {
		return nil, err
	}
	h.Set("Idempotency-Key", fmt.Sprintf("%s.%s.%s", n.ID, n.Phase, n.At.UTC().Format("20060102T150405Z")))
	if c.c.HMACFile != "" {
		key, err := post.Secret(c.c.HMACFile)
		if err != nil {
			return nil, err
		}
		h.Set("Ebbwatch-Signature", "sha256="+Sign([]byte(key), body))
	}
	return h, nil
}

// Ready implements [alert.Readier].
func (c *Channel) Ready() error {
	if _, err := c.c.Address(); err != nil {
		return err
	}
	_, err := c.header(alert.Notice{}, nil)
	return err
}

// Sign is the signature of a body: HMAC with SHA-256 (RFC 2104), in hexadecimal. A receiver
// computes it over the raw body and compares in constant time.
func Sign(key, body []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write(body)
	return hex.EncodeToString(mac.Sum(nil))
}
