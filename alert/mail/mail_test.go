package mail

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"io"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/alerttest"
	"ebbwatch/collector/needtest"
)

// server is a real mail server: python3-aiosmtpd.
type server struct {
	ca    string
	port  int
	mails *bufio.Scanner
}

// taken is a mail that the server took.
type taken struct {
	From, Data string
	To         []string
	TLS, User  bool
}

func newServer(t *testing.T, mode string) *server {
	t.Helper()
	python := needtest.Python(t, "aiosmtpd")
	cert, key := certificate(t)
	program, err := os.ReadFile("testdata/smtpd.py") // read here, so that a change of it is seen
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-W", "ignore", "-c", string(program), cert, key, mode)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	s := &server{ca: cert, mails: bufio.NewScanner(out)}
	if !s.mails.Scan() {
		t.Fatal("the mail server did not start")
	}
	if s.port, err = strconv.Atoi(s.mails.Text()); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *server) next(t *testing.T) taken {
	t.Helper()
	var m taken
	if !s.mails.Scan() {
		t.Fatal("no mail came")
	}
	if err := json.Unmarshal(s.mails.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// certificate makes one for this machine that nobody vouches for.
func certificate(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "boathouse"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, block := range map[string]*pem.Block{"cert": {Type: "CERTIFICATE", Bytes: der}, "key": {Type: "PRIVATE KEY", Bytes: pkcs8}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "cert"), filepath.Join(dir, "key")
}

func (s *server) config(t *testing.T) Config {
	return Config{
		Host: "127.0.0.1", Port: s.port, Security: "starttls", CAFile: s.ca, User: "slipway", PasswordFile: alerttest.SecretFile(t, "pa55word"),
		From: "slipway@boathouse.example", To: []string{"owner@boathouse.example"}, Timeout: 20 * time.Second,
	}
}

// text takes a mail apart.
func (m taken) text(t *testing.T) (netmail.Header, string) {
	t.Helper()
	msg, err := netmail.ReadMessage(strings.NewReader(m.Data))
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(quotedprintable.NewReader(msg.Body))
	if err != nil {
		t.Fatal(err)
	}
	return msg.Header, strings.ReplaceAll(string(body), "\r\n", "\n")
}

func TestAMailArrives(t *testing.T) {
	t.Parallel()
	s := newServer(t, "starttls")
	n := alerttest.Notice()
	for range 2 { // and when it is sent again, it is the same mail
		if err := New(s.config(t)).Send(t.Context(), n); err != nil {
			t.Fatal(err)
		}
		m := s.next(t)
		if !m.TLS || !m.User || m.From != "slipway@boathouse.example" || strings.Join(m.To, " ") != "owner@boathouse.example" {
			t.Errorf("it came as %+v", m)
		}
		header, body := m.text(t)
		subject, err := new(mime.WordDecoder).DecodeHeader(header.Get("Subject"))
		if err != nil || subject != n.Title {
			t.Errorf("the subject is %q, %v", subject, err)
		}
		if !strings.Contains(body, n.Text) || !strings.Contains(body, "- Bring 240 Wh of charge.") {
			t.Errorf("the body is %q", body)
		}
		for name, want := range map[string]string{
			"Message-Id": "<slipway.cutoff_ahead.20260110T110000Z.7.changed.20260111T130500Z@ebbwatch>",
			"References": "<slipway.cutoff_ahead.20260110T110000Z.7@ebbwatch>", "Auto-Submitted": "auto-generated", "Importance": "high",
		} {
			if got := header.Get(name); got != want {
				t.Errorf("%s is %q, want %q", name, got, want)
			}
		}
		if at, err := header.Date(); err != nil || !at.Equal(n.At) {
			t.Errorf("the date is %v, %v", at, err)
		}
	}
}

// Connections are opened by who counts what goes out, whatever the mode; the log-in works as
// before.
func TestDialledByAnother(t *testing.T) {
	t.Parallel()
	for _, mode := range []string{"starttls", "tls", "plain"} {
		s := newServer(t, mode)
		c := s.config(t)
		c.Security = mode
		if mode == "plain" {
			c.Security, c.User = "none", ""
		}
		ch, dialled := New(c), 0
		ch.DialWith(func(ctx context.Context, network, address string) (net.Conn, error) {
			dialled++
			return new(net.Dialer).DialContext(ctx, network, address)
		})
		if err := ch.Send(t.Context(), alerttest.Notice()); err != nil || dialled != 1 {
			t.Errorf("%s: dialled %d times, %v", mode, dialled, err)
			continue
		}
		if m := s.next(t); m.User != (mode != "plain") || !strings.Contains(m.Data, "Subject: ") {
			t.Errorf("%s: it came as %+v", mode, m)
		}
		if mode != "tls" {
			continue
		}
		if err := New(c).Send(t.Context(), alerttest.Notice()); err != nil { // by the library itself
			t.Error(err)
		}
		c.CAFile = ""
		ch = New(c)
		ch.DialWith(new(net.Dialer).DialContext)
		if err := ch.Send(t.Context(), alerttest.Notice()); err == nil || !strings.Contains(err.Error(), "certificate") {
			t.Errorf("with a certificate that nobody vouches for: %v", err)
		}
	}
}

func TestOneBadAddressKeepsItFromNobodyElse(t *testing.T) {
	t.Parallel()
	s := newServer(t, "starttls")
	for _, row := range []struct {
		to        []string
		permanent bool
	}{
		{[]string{"never@a.example", "owner@boathouse.example"}, true},
		{[]string{"later@a.example", "owner@boathouse.example"}, false},
		{[]string{"never@a.example", "later@a.example", "owner@boathouse.example"}, false},
	} {
		c := s.config(t)
		c.To = row.to
		err := New(c).Send(t.Context(), alerttest.Notice())
		if err == nil || alert.IsRefused(err) != row.permanent {
			t.Errorf("%v: permanent %v: %v", row.to, alert.IsRefused(err), err)
		}
		if m := s.next(t); m.To[0] != "owner@boathouse.example" {
			t.Errorf("%v: it came to %v", row.to, m.To)
		}
	}
}

func TestOnlyOverTLSAndToWhomItTrusts(t *testing.T) {
	t.Parallel()
	s := newServer(t, "starttls")
	c := s.config(t)
	c.CAFile = ""
	err := New(c).Send(t.Context(), alerttest.Notice())
	if err == nil || !strings.Contains(err.Error(), "certificate") || alert.IsRefused(err) {
		t.Errorf("with a certificate that nobody vouches for: %v", err)
	}
	plain := newServer(t, "plain")
	c = s.config(t)
	c.Port = plain.port
	if err := New(c).Send(t.Context(), alerttest.Notice()); err == nil || alert.IsRefused(err) {
		t.Errorf("with a server that has no TLS: %v", err)
	}
	c.Security, c.User = "none", ""
	if err := New(c).Send(t.Context(), alerttest.Notice()); err != nil {
		t.Fatalf("without TLS, as it was asked: %v", err)
	}
	if m := plain.next(t); m.TLS {
		t.Error("it came over TLS")
	}
}

func TestLeaksNoSecret(t *testing.T) {
	t.Parallel()
	s := newServer(t, "starttls")
	c := s.config(t)
	c.PasswordFile = alerttest.SecretFile(t, "wr0ng-pa55word")
	ch := New(c)
	alerttest.LeaksNoSecret(t, ch, c, "127.0.0.1:"+strconv.Itoa(s.port), "wr0ng", "d3Iwbmct") // plain, and in base 64
	if err := ch.Send(t.Context(), alerttest.Notice()); err == nil || alert.IsRefused(err) {
		t.Errorf("a wrong password can be mended: %v", err)
	}
	c.PasswordFile = filepath.Join(t.TempDir(), "none")
	alerttest.LeaksNoSecret(t, New(c), c, c.PasswordFile, "wr0ng")
}

// TestAServerThatHangs: the sending ends by its own time.
func TestAServerThatHangs(t *testing.T) {
	t.Parallel()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	go func() {
		for {
			if _, err := listener.Accept(); err != nil {
				return
			}
		}
	}()
	c := Config{Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port, From: "a@b.example", To: []string{"c@d.example"}, Timeout: 200 * time.Millisecond}
	if err := New(c).Send(t.Context(), alerttest.Notice()); err == nil || alert.IsRefused(err) {
		t.Errorf("got %v", err)
	}
}

func TestCheck(t *testing.T) {
	t.Parallel()
	sound := Config{Host: "a.example", Security: "starttls", From: "a@b.example", To: []string{"c@d.example"}}
	for want, change := range map[string]func(*Config){
		"":                                      func(c *Config) {},
		`from: "slipway" is not a mail address`: func(c *Config) { c.From = "slipway" },
		`to[1]: "x y" is not a mail address`:    func(c *Config) { c.To = append(c.To, "x y") },
		"user: user and password_file belong together":         func(c *Config) { c.User = "slipway" },
		"security: none is for a server on this machine alone": func(c *Config) { c.Security = "none" },
	} {
		c, got := sound, ""
		change(&c)
		c.Check(func(key, what string) { got += key + ": " + what })
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestUsualPorts(t *testing.T) {
	t.Parallel()
	for security, port := range map[string]int{"": 587, "starttls": 587, "tls": 465, "none": 25} {
		if got := New(Config{Security: security}).c.Port; got != port {
			t.Errorf("%q goes to %d, want %d", security, got, port)
		}
	}
}

// section decodes nothing but hands over what a test says.
type section Config

func (s section) Decode(v any) error {
	*v.(*Config) = Config(s)
	return nil
}

func TestKind(t *testing.T) {
	t.Parallel()
	s := newServer(t, "starttls")
	ch, err := Kind().New(section(s.config(t)))
	if err != nil {
		t.Fatal(err)
	}
	if err := ch.Send(t.Context(), alerttest.Notice()); err != nil {
		t.Error(err)
	}
	s.next(t)
}
