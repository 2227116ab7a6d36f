package web_test

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
)

// start serves on a port of the system's choice and gives the address and a function that
// stops and waits.
func start(t *testing.T, configFile string) (addr string, stop func() error) {
	t.Helper()
	l, err := web.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		s := web.Server{Handler: web.New(web.Options{Snapshot: factstest.Rich}), ConfigFile: configFile}
		done <- s.Serve(ctx, l)
	}()
	stop = func() error { cancel(); return <-done }
	t.Cleanup(cancel)
	return l.Addr().String(), stop
}

func fetch(t *testing.T, c *http.Client, url string, change func(*http.Request)) (int, string, error) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(r)
	}
	resp, err := c.Do(r)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(b), err
}

func TestServeAndStop(t *testing.T) {
	t.Parallel()
	addr, stop := start(t, "")
	if code, body, err := fetch(t, http.DefaultClient, "http://"+addr+"/-/ready", nil); err != nil || code != 200 || body != "ready\n" {
		t.Fatalf("%d %q %v", code, body, err)
	}
	idle, err := net.Dial("tcp", addr) // a client that never asks must not hold up the end
	if err != nil {
		t.Fatal(err)
	}
	defer idle.Close()
	if err := stop(); err != nil {
		t.Errorf("cannot stop: %v", err)
	}
	if _, err := net.Dial("tcp", addr); err == nil {
		t.Error("the port is still open after the end")
	}
}

func TestHugeHeadersAreRefused(t *testing.T) {
	t.Parallel()
	addr, _ := start(t, "")
	code, _, err := fetch(t, http.DefaultClient, "http://"+addr+"/", func(r *http.Request) {
		r.Header.Set("X-Much", strings.Repeat("m", 100<<10))
	})
	if err == nil && code != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("100 kB of header: %d, want 431", code)
	}
}

// A hundred clients that say half a request leave room in memory and do not stop the
// server; once they are gone it answers again.
func TestHalfRequestsDoNotStopTheServer(t *testing.T) {
	t.Parallel()
	addr, stop := start(t, "")
	var conns []net.Conn
	for range 100 {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: x\r\n")
		conns = append(conns, c)
	}
	for _, c := range conns {
		c.Close()
	}
	if code, _, err := fetch(t, http.DefaultClient, "http://"+addr+"/-/healthy", nil); err != nil || code != 200 {
		t.Errorf("after the crowd: %d %v", code, err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

func TestBadRequestLine(t *testing.T) {
	t.Parallel()
	addr, _ := start(t, "")
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprint(c, "\x16\x03\x01 nonsense\r\n\r\n")
	line, err := bufio.NewReader(c).ReadString('\n')
	if err != nil || !strings.Contains(line, "400") {
		t.Errorf("answer %q, %v; want 400", line, err)
	}
}

func TestListenRefusesAnAddressWithoutAHost(t *testing.T) {
	t.Parallel()
	for addr, want := range map[string]string{
		":9777":           `cannot listen: ":9777" names no address to bind to: write 127.0.0.1:9777, or 0.0.0.0:9777 for every interface`,
		"9777":            `cannot listen: "9777" is not an address and port such as 127.0.0.1:9777`,
		"127.0.0.1:99999": `cannot listen: port "99999" is outside 0..65535`,
	} {
		if _, err := web.Listen(t.Context(), addr); err == nil || err.Error() != want {
			t.Errorf("Listen(%q): %v, want %s", addr, err, want)
		}
	}
}

// TLS and a password come from a web configuration file of the exporter toolkit, whose
// form is documented in github.com/prometheus/exporter-toolkit/docs/web-configuration.md.
func TestTLSAndPassword(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	pool := makeCert(t, dir)
	hash, err := bcrypt.GenerateFromPassword([]byte("regatta"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "web.yml")
	text := fmt.Sprintf("tls_server_config:\n  cert_file: cert.pem\n  key_file: key.pem\nbasic_auth_users:\n  cox: %s\n", hash)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := web.Check(file); err != nil {
		t.Fatal(err)
	}
	addr, stop := start(t, file)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	defer client.CloseIdleConnections()
	if code, body, err := fetch(t, client, "https://"+addr+"/api/v1/state", nil); err != nil || code != 401 || strings.Contains(body, "slipway") {
		t.Errorf("without a password: %d %.60q %v", code, body, err)
	}
	code, body, err := fetch(t, client, "https://"+addr+"/api/v1/state", func(r *http.Request) { r.SetBasicAuth("cox", "regatta") })
	if err != nil || code != 200 || !strings.Contains(body, "slipway") {
		t.Errorf("with the password: %d %.60q %v", code, body, err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

func TestCheckNamesTheFile(t *testing.T) {
	t.Parallel()
	if err := web.Check(""); err != nil {
		t.Error(err)
	}
	if err := web.Check("/nonexistent/web.yml"); err == nil || !strings.Contains(err.Error(), "/nonexistent/web.yml") {
		t.Errorf("missing file: %v", err)
	}
	file := filepath.Join(t.TempDir(), "web.yml")
	if err := os.WriteFile(file, []byte("no_such_key: 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := web.Check(file); err == nil || !strings.Contains(err.Error(), file) || !strings.Contains(err.Error(), "no_such_key") {
		t.Errorf("unknown key: %v", err)
	}
}

func makeCert(t *testing.T, dir string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "slipway"}, NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, tpl, tpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: der}, "key.pem": {Type: "PRIVATE KEY", Bytes: keyDER}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool := x509.NewCertPool()
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(cert)
	return pool
}
