package webhook

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/alerttest"
	"ebbwatch/alert/post"
)

// receiver keeps what it was sent.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	header http.Header
	method string
	body   string
	path   string
	query  url.Values
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, _ := io.ReadAll(q.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		r.header, r.method, r.body, r.path, r.query = q.Header, q.Method, string(body), q.URL.Path, q.URL.Query()
	}))
	t.Cleanup(r.Close)
	return r
}

func send(t *testing.T, c Config) error {
	t.Helper()
	return New(c).Send(t.Context(), alerttest.Notice())
}

func TestTheNoticeAsJSON(t *testing.T) {
	t.Parallel()
	r := newReceiver(t)
	if err := send(t, Config{Target: post.Target{URLFile: alerttest.SecretFile(t, r.URL+"/hook")}}); err != nil {
		t.Fatal(err)
	}
	var got alert.Notice
	if err := json.Unmarshal([]byte(r.body), &got); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, alerttest.Notice()) {
		t.Errorf("got %+v", got)
	}
	if r.method != "POST" || r.header.Get("Content-Type") != "application/json" || r.header.Get("Idempotency-Key") != "slipway.cutoff_ahead.20260110T110000Z.7.changed.20260111T130500Z" {
		t.Errorf("%s with %v", r.method, r.header)
	}
	for _, name := range []string{"id", "site", "rule", "phase", "severity", "at", "since", "title", "text", "advice", "facts"} {
		if !strings.Contains(r.body, `"`+name+`":`) {
			t.Errorf("%s is missing in %s", name, r.body)
		}
	}
}

func TestATemplateMakesTheBody(t *testing.T) {
	t.Parallel()
	r := newReceiver(t)
	err := send(t, Config{
		Method:   "PUT",
		Template: `{"text": {{json .Plain}}, "urgent": {{if eq .Severity "critical"}}true{{else}}false{{end}}}`,
		Target: post.Target{
			URL: alert.Secret(r.URL), Headers: map[string]alert.Secret{"X-Room": "boathouse"},
			HeaderFiles: map[string]string{"Authorization": alerttest.SecretFile(t, "Bearer key")},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Text   string
		Urgent bool
	}
	if err := json.Unmarshal([]byte(r.body), &got); err != nil || got.Text != alerttest.Notice().Plain() || !got.Urgent {
		t.Errorf("%v: %s", err, r.body)
	}
	if r.method != "PUT" || r.header.Get("X-Room") != "boathouse" || r.header.Get("Authorization") != "Bearer key" {
		t.Errorf("%s with %v", r.method, r.header)
	}
}

// TestSign holds the signature against RFC 4231, test cases 2 and 6.
func TestSign(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("\xaa", 131)
	for _, row := range []struct{ key, data, want string }{
		{"Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{long, "Test Using Larger Than Block-Size Key - Hash Key First", "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
	} {
		if got := Sign([]byte(row.key), []byte(row.data)); got != row.want {
			t.Errorf("%q: got %s, want %s", row.data, got, row.want)
		}
	}
}

func TestTheBodyIsSigned(t *testing.T) {
	t.Parallel()
	r := newReceiver(t)
	if err := send(t, Config{Target: post.Target{URL: alert.Secret(r.URL)}, HMACFile: alerttest.SecretFile(t, "Jefe")}); err != nil {
		t.Fatal(err)
	}
	if got, want := r.header.Get("Ebbwatch-Signature"), "sha256="+Sign([]byte("Jefe"), []byte(r.body)); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestLeaksNoSecret(t *testing.T) {
	t.Parallel()
	refuse := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		w.WriteHeader(http.StatusForbidden) // and it says back all that it heard
		io.WriteString(w, r.URL.String()+r.Header.Get("Authorization")+string(body))
	}))
	t.Cleanup(refuse.Close)
	host := strings.TrimPrefix(refuse.URL, "http://")
	gone := httptest.NewServer(nil)
	gone.Close()
	for name, base := range map[string]string{"refused": refuse.URL, "gone": gone.URL, "no such host": "http://" + strings.Repeat("a", 64) + ".invalid"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := Config{
				Target: post.Target{
					URL: alert.Secret(base + "/hook-5ecret?token=t0ken"), Headers: map[string]alert.Secret{"X-Key": "k3y"},
					HeaderFiles: map[string]string{"Authorization": alerttest.SecretFile(t, "Bearer b3arer")},
				},
				HMACFile: alerttest.SecretFile(t, "hm4c"),
			}
			ch := New(c)
			want := strings.TrimPrefix(base, "http://")
			if base == refuse.URL {
				want = host + ": it answered 403"
			}
			alerttest.LeaksNoSecret(t, ch, c, want, "5ecret", "t0ken", "k3y", "b3arer", "hm4c")
		})
	}
	t.Run("not an address", func(t *testing.T) {
		t.Parallel()
		file := alerttest.SecretFile(t, "hook 5ecret")
		c := Config{Target: post.Target{URLFile: file}}
		ch := New(c)
		alerttest.LeaksNoSecret(t, ch, c, file, "5ecret")
	})
	t.Run("a password in the address", func(t *testing.T) {
		t.Parallel()
		c := Config{Target: post.Target{URL: alert.Secret("http://user:pa55@" + strings.TrimPrefix(gone.URL, "http://"))}}
		ch := New(c)
		alerttest.LeaksNoSecret(t, ch, c, strings.TrimPrefix(gone.URL, "http://"), "pa55")
	})
	t.Run("a header that cannot be sent", func(t *testing.T) {
		t.Parallel()
		c := Config{Target: post.Target{URL: alert.Secret(gone.URL), Headers: map[string]alert.Secret{"X-Key": "k3y\nk3y"}}}
		ch := New(c)
		alerttest.LeaksNoSecret(t, ch, c, "cannot send the notice", "k3y")
	})
}

func TestAMissingFileIsNamedAndTriedAgain(t *testing.T) {
	t.Parallel()
	r := newReceiver(t)
	file := filepath.Join(t.TempDir(), "hook.url")
	ch := New(Config{Target: post.Target{URLFile: file}})
	err := ch.Send(t.Context(), alerttest.Notice())
	if err == nil || !strings.Contains(err.Error(), file) || alert.IsRefused(err) {
		t.Errorf("got %v", err)
	}
	if err := os.WriteFile(file, []byte(r.URL), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := ch.Send(t.Context(), alerttest.Notice()); err != nil {
		t.Errorf("when the file is there: %v", err)
	}
}

func TestATemplateThatFailsIsARefusal(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"{{.Nothing}}", `{"text": "{{.Plain}}"}`} {
		err := send(t, Config{Target: post.Target{URL: "http://127.0.0.1:1"}, Template: text})
		if !alert.IsRefused(err) {
			t.Errorf("%s: got %v", text, err)
		}
	}
}

// TestEverythingMayBeATemplate: address, headers and the fields of a form.
func TestEverythingMayBeATemplate(t *testing.T) {
	t.Parallel()
	r := newReceiver(t)
	c := Config{
		Target: post.Target{URL: alert.Secret(r.URL + "/{{.Rule}}?title={{query .Title}}"), Headers: map[string]alert.Secret{"Title": "{{line .Text}}"}},
		Form:   map[string]string{"text": "{{.Plain}}", "charge": `{{fact . "battery_soc"}}`, "none": `{{fact . "nothing"}}`, "when": `{{.At.Format "15:04"}}`},
	}
	c.Check(func(key, what string) { t.Errorf("%s: %s", key, what) })
	if err := send(t, c); err != nil {
		t.Fatal(err)
	}
	n := alerttest.Notice()
	got, err := url.ParseQuery(r.body)
	if err != nil || got.Get("text") != n.Plain() || got.Get("charge") != "0.22" || got.Get("none") != "" || got.Get("when") != "13:05" {
		t.Errorf("%v: the form is %v", err, got)
	}
	if r.path != "/cutoff_ahead" || r.query.Get("title") != n.Title || r.header.Get("Content-Type") != "application/x-www-form-urlencoded" ||
		!strings.Contains(r.header.Get("Title"), "later. How sure") {
		t.Errorf("%s?%v with %v", r.path, r.query, r.header)
	}
}

func TestStopsWhenToldTo(t *testing.T) {
	t.Parallel()
	asked := make(chan bool)
	hangs := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		io.Copy(io.Discard, r.Body)
		close(asked)
		<-r.Context().Done()
	}))
	t.Cleanup(hangs.Close)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-asked; cancel() }()
	ch := New(Config{Target: post.Target{URL: alert.Secret(hangs.URL), Timeout: time.Hour}})
	if err := ch.Send(ctx, alerttest.Notice()); err == nil || alert.IsRefused(err) {
		t.Errorf("got %v", err)
	}
}

// TestCheck: what fails in earnest is found beforehand, with the mend.
func TestCheck(t *testing.T) {
	t.Parallel()
	at := post.Target{URLFile: "x"}
	const broken = "makes broken JSON of a notice with quotes or several lines: write {{json .Title}} without quotes around it"
	for _, row := range []struct {
		c    Config
		want string
	}{
		{Config{Target: at}, ""},
		{Config{}, ": one of url and url_file is needed"},
		{Config{Target: post.Target{URL: "http://a", URLFile: "x"}}, "url_file: is given beside url: only one of them can hold"},
		{Config{Target: post.Target{URL: "ftp://a"}}, "url: is not an address that begins with http:// or https:// (not shown)"},
		{Config{Target: post.Target{URL: "http://a/{{.Nope}}"}}, "url: cannot be filled: <.Nope>: can't evaluate field Nope"},
		{Config{Target: post.Target{URL: "http://a", Headers: map[string]alert.Secret{"Title": "{{.Titel}}"}}}, "headers.Title: cannot be filled: <.Titel>"},
		{Config{Target: at, Template: "{{nope}}"}, `template: cannot be read: 1: function "nope" not defined`},
		{Config{Target: at, Template: `{"text":"{{.Title}}: {{.Text}}"}`}, "template: " + broken},
		{Config{Target: at, Template: `{"text":"{{.Title}}"}`}, "template: " + broken},
		{Config{Target: at, Template: `{"text":{{json .Titel}}}`}, "template: cannot be filled: <.Titel>: can't evaluate field Titel in type alert.Notice; a notice has .ID"},
		{Config{Target: at, Template: `{"first":{{json (index .Advice 0)}}}`}, "template: cannot be filled: <index .Advice 0>"},
		{Config{Target: at, Template: `{"soc":{{.Facts.battery_soc}}}`}, "template: cannot be filled: <.Facts.battery_soc>: map has no entry"},
		{Config{Target: at, Template: `{"text":{{json .Plain}}}`}, ""},
		{Config{Target: post.Target{URLFile: "x", Headers: map[string]alert.Secret{"content-type": "text/plain"}}, Template: "{{.Title}}"}, ""},
		{Config{Target: at, Form: map[string]string{"text": "{{.Text}}"}}, ""},
		{Config{Target: at, Form: map[string]string{"text": "{{.Txt}}"}}, "form: of text cannot be filled: <.Txt>"},
		{Config{Target: at, Form: map[string]string{"text": "{{.Text}}"}, Template: "x"}, "form: is given beside template"},
	} {
		got := ""
		row.c.Check(func(key, what string) { got += key + ": " + what })
		if !strings.HasPrefix(got, row.want) || row.want == "" && got != "" {
			t.Errorf("got %q, want %q", got, row.want)
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
	r := newReceiver(t)
	ch, err := Kind().New(section{Target: post.Target{URL: alert.Secret(r.URL)}})
	if err != nil {
		t.Fatal(err)
	}
	if err := ch.Send(t.Context(), alerttest.Notice()); err != nil || r.body == "" {
		t.Errorf("%v: %q arrived", err, r.body)
	}
}
