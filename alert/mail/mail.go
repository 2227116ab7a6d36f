package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
	"ebbwatch/collector/regular"
)

// Config is the section of a mail account.
type Config struct {
	Host         string        `yaml:"host" need:"true" example:"mail.boathouse.example" doc:"the SMTP server"`
	Port         int           `yaml:"port" range:"1..65535" doc:"587 for starttls, 465 for tls and 25 for none when left out"`
	Security     string        `yaml:"security" default:"starttls" oneof:"starttls tls none" doc:"starttls and tls refuse to go on without; none only to this machine"`
	CAFile       string        `yaml:"ca_file" path:"true" doc:"certificates to trust beside those of the system, PEM"`
	User         string        `yaml:"user" doc:"to log in with"`
	PasswordFile string        `yaml:"password_file" path:"true" doc:"file that holds the password"`
	From         string        `yaml:"from" need:"true" example:"slipway@boathouse.example" doc:"the sender"`
	To           []string      `yaml:"to" need:"true" len:"1..20" example:"[owner@boathouse.example]" doc:"who gets it"`
	Timeout      time.Duration `yaml:"timeout" default:"30s" range:"5s..5m" doc:"how long sending may take"`
}

// Check finds what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) {
	m := gomail.NewMsg()
	if m.From(c.From) != nil {
		problem("from", fmt.Sprintf("%q is not a mail address", c.From))
	}
	for i, to := range c.To {
		if m.To(to) != nil {
			problem(fmt.Sprintf("to[%d]", i), fmt.Sprintf("%q is not a mail address", to))
		}
	}
	if (c.User == "") != (c.PasswordFile == "") {
		problem("user", "user and password_file belong together")
	}
	if c.Security == "none" && !isLocal(c.Host) {
		problem("security", "none is for a server on this machine alone")
	}
}

func isLocal(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Kind is this channel for the configuration.
func Kind() alert.Kind {
	return alert.Kind{
		Name:    "mail",
		Summary: "mail through an SMTP server, over TLS",
		Sample: "host: mail.boathouse.example\nuser: slipway\npassword_file: /etc/ebbwatch/mail.password\n" +
			"from: slipway@boathouse.example\nto: [owner@boathouse.example]\n",
		New: alert.Open(New),
	}
}

// Channel is one mail account.
type Channel struct {
	c    Config
	dial gomail.DialContextFunc // nil: the library's own
}

// New makes a channel; zero values stand for the defaults.
func New(c Config) *Channel {
	if c.Timeout == 0 {
		c.Timeout = 30 * time.Second
	}
	if c.Security == "" {
		c.Security = "starttls"
	}
	if c.Port == 0 {
		c.Port = map[string]int{"starttls": 587, "tls": 465, "none": 25}[c.Security]
	}
	return &Channel{c: c}
}

// DialWith has connections opened by a function that may count what goes out. It must be
// called before anything is sent.
func (c *Channel) DialWith(dial func(ctx context.Context, network, address string) (net.Conn, error)) {
	c.dial = dial
}

// Format prints the channel without its settings.
func (c *Channel) Format(f fmt.State, _ rune) { io.WriteString(f, "mail") }

// Send implements [alert.Channel]. Each recipient gets a mail of his own, so that one bad
// address keeps it from nobody else. A mail that is sent again has the same Message-ID, and
// all mails of one alarm make one thread.
func (c *Channel) Send(ctx context.Context, n alert.Notice) error {
	var mails []*gomail.Msg
	for _, to := range c.c.To {
		m, err := c.write(n, to)
		if err != nil {
			return alert.Refused(fmt.Errorf("cannot write the mail: %w", err))
		}
		mails = append(mails, m)
	}
	client, err := c.client()
	if err != nil {
		return fmt.Errorf("cannot send the mail: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, c.c.Timeout)
	defer cancel()
	if err := client.DialAndSendWithContext(ctx, mails...); err != nil {
		err = fmt.Errorf("cannot send the mail through %s:%d: %w", c.c.Host, c.c.Port, err)
		if refused(mails) {
			return alert.Refused(err)
		}
		return err
	}
	return nil
}

// refused tells whether all that failed did so for good: by an answer of 5xx to the sender,
// recipient or content of a mail (RFC 5321). A refused log-in is not about the mail: the
// password may be mended.
func refused(mails []*gomail.Msg) bool {
	some := false
	for _, m := range mails {
		var s *gomail.SendError
		switch {
		case !m.HasSendError():
			continue
		case !errors.As(m.SendError(), &s), s.ErrorCode()/100 != 5, s.ErrorCode() == 530, s.ErrorCode() == 535:
			return false
		}
		some = true
	}
	return some
}

func (c *Channel) write(n alert.Notice, to string) (*gomail.Msg, error) {
	m := gomail.NewMsg()
	if err := m.From(c.c.From); err != nil {
		return nil, err
	}
	if err := m.To(to); err != nil {
		return nil, err
	}
	m.Subject(n.Title)
	if m.SetDateWithValue(n.At); n.At.Year() < 2024 { // a clock that was never set
		m.SetDate()
	}
	thread := fmt.Sprintf("<%s@ebbwatch>", n.ID)
	m.SetMessageIDWithValue(fmt.Sprintf("%s.%s.%s@ebbwatch", n.ID, n.Phase, n.At.UTC().Format("20060102T150405Z")))
	m.SetGenHeader(gomail.HeaderReferences, thread)
	m.SetGenHeader(gomail.HeaderInReplyTo, thread)
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no answers by robots
	m.SetUserAgent("ebbwatch")
	if n.Severity == alert.Critical && n.Phase != alert.Cleared {
		m.SetImportance(gomail.ImportanceHigh)
	}
	_, body, _ := strings.Cut(n.Plain(), "\n\n")
	m.SetBodyString(gomail.TypeTextPlain, body)
	return m, nil
}

// Ready implements [alert.Readier]. It asks no server.
func (c *Channel) Ready() error {
	_, err := c.client()
	return err
}

func (c *Channel) client() (*gomail.Client, error) {
	trust := &tls.Config{ServerName: c.c.Host, MinVersion: tls.VersionTLS12}
	if c.c.CAFile != "" {
		pool, err := regular.Certificates(c.c.CAFile)
		if err != nil {
			return nil, err
		}
		trust.RootCAs = pool
	}
	options := []gomail.Option{gomail.WithPort(c.c.Port), gomail.WithTimeout(c.c.Timeout), gomail.WithTLSConfig(trust)}
	if c.dial != nil {
		options = append(options, gomail.WithDialContextFunc(c.dial))
	}
	switch c.c.Security {
	case "tls":
		options = append(options, gomail.WithSSL())
		if c.dial != nil {
			options = append(options, gomail.WithDialContextFunc(c.overTLS(trust)))
		}
	case "none":
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS))
	default:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if c.c.User != "" {
		password, err := post.Secret(c.c.PasswordFile)
		if err != nil {
			return nil, err
		}
		options = append(options, gomail.WithUsername(c.c.User), gomail.WithPassword(password), c.auth())
	}
	return gomail.NewClient(c.c.Host, options...)
}

// auth lets the server choose how to log in, except without TLS: there the password must
// not travel readably unless it stays on this machine, which Check made sure of.
func (c *Channel) auth() gomail.Option {
	switch {
	case c.c.Security == "none":
		return gomail.WithSMTPAuth(gomail.SMTPAuthPlainNoEnc)
	case c.c.Security == "tls" && c.dial != nil:
		// The library does not know that what we dial is TLS from the start. These are the
		// ways that it would choose from, in its order.
		return gomail.WithOpportunisticSMTPAuth(gomail.SMTPAuthSCRAMSHA256PLUS, gomail.SMTPAuthSCRAMSHA256, gomail.SMTPAuthSCRAMSHA1PLUS,
			gomail.SMTPAuthSCRAMSHA1, gomail.SMTPAuthNTLM, gomail.SMTPAuthCramMD5, gomail.SMTPAuthPlain, gomail.SMTPAuthLogin)
	}
	return gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover)
}

// overTLS dials, and makes the connection a TLS one before the first word of SMTP.
func (c *Channel) overTLS(trust *tls.Config) gomail.DialContextFunc {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		plain, err := c.dial(ctx, network, address)
		if err != nil {
			return nil, err
		}
		conn := tls.Client(plain, trust)
		if err := conn.HandshakeContext(ctx); err != nil {
			return nil, errors.Join(err, plain.Close())
		}
		return conn, nil
	}
}
