package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/watcher"
)

// homeConfig writes the configuration of a watcher over nodes, by name and page.
func homeConfig(t *testing.T, hook string, nodes ...string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "home.yaml")
	text := "site: {name: boathouse, latitude: 52.75, longitude: 6.57, timezone: Europe/Amsterdam}\nnodes:\n"
	for i := 0; i < len(nodes); i += 2 {
		text += fmt.Sprintf("  - {name: %s, state: %q}\n", nodes[i], nodes[i+1])
	}
	text += fmt.Sprintf("every: 1s\nafter: 2s\nquiet: \"off\"\nnotify:\n  - {name: owner, webhook: {url: %q}}\nweb: {listen: \"127.0.0.1:0\"}\nstate: state\n", hook)
	write(t, file, text)
	return file
}

// judgedAs asks a watcher what it makes of a node.
func judgedAs(t *testing.T, out *screen, name string) watch.Cause {
	t.Helper()
	body, status := get(t, out.page()+"/api/v1/state")
	var v watcher.View
	if status != http.StatusOK || json.Unmarshal([]byte(body), &v) != nil {
		return ""
	}
	for _, n := range v.Nodes {
		if n.Name == name {
			return n.Cause
		}
	}
	return ""
}

// Two daemons read their controllers; the watcher asks both. One is killed without notice:
// its silence is told, with the other heard, and a kill of the watcher itself neither loses
// the alarm nor gives it another id.
func TestWatcherOverRealNodes(t *testing.T) {
	t.Parallel()
	hook, mute := newReceiver(t), newReceiver(t)
	full := words{10: 1330, 11: 100, 12: 200, 13: 100}
	slipway := configure(t, slave(t, full), mute.URL)
	island := configure(t, slave(t, full), mute.URL)
	called(t, island, "island")
	var pages []string
	first, out1 := child(t, nil, "run", "--config", slipway)
	_, out2 := child(t, nil, "run", "--config", island)
	for _, out := range []*screen{out1, out2} {
		eventually(t, 30*time.Second, "it runs", func() bool { return out.page() != "" })
		pages = append(pages, out.page())
	}
	file := homeConfig(t, hook.URL, "slipway", pages[0], "island", pages[1])
	home, out := child(t, nil, "watch", "--config", file)
	fine := func(out *screen, names ...string) func() bool {
		return func() bool {
			for _, name := range names {
				if out.page() == "" || judgedAs(t, out, name) != watch.Fine {
					return false
				}
			}
			return true
		}
	}
	eventually(t, 30*time.Second, "both are heard", fine(out, "slipway", "island"))
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = first.Wait() // it was killed
	eventually(t, 60*time.Second, "the silence is told", func() bool { return len(hook.notices("watch")) == 1 })
	n := hook.notices("watch")[0]
	if n.Site != "slipway" || !strings.Contains(n.Title, "silent") || len(n.Advice) == 0 {
		t.Errorf("%+v", n)
	}
	if got := judgedAs(t, out, "island"); got != watch.Fine {
		t.Errorf("island is judged as %s", got)
	}
	if err := home.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = home.Wait() // it was killed
	listen := strings.TrimPrefix(pages[0], "http://")
	back := strings.Replace(slipway, "ebbwatch.yaml", "again.yaml", 1)
	text, err := os.ReadFile(slipway)
	if err != nil {
		t.Fatal(err)
	}
	write(t, back, strings.Replace(string(text), "127.0.0.1:0", listen, 1))
	_, _ = child(t, nil, "run", "--config", back)
	_, out = child(t, nil, "watch", "--config", file)
	eventually(t, 60*time.Second, "both are heard again", fine(out, "slipway", "island"))
	if got := hook.notices("watch"); len(got) > 2 || got[0].ID != n.ID {
		t.Errorf("%+v", got)
	}
}

// A node that says that it is about to go dark, and does: no alarm. What it said outlives
// the watcher.
func TestWatcherKnowsWhatWasSaid(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		at := time.Now().Format(time.RFC3339)
		fmt.Fprintf(w, `{"site":"slipway","at":%q,"battery":{"soc":0.07},"outlook":{"at":%q,"back_hours":9,"cutoff":{"hours_p10":0.5,"hours_p50":1,"within":{"24h":0.95}}}}`, at, at)
	}))
	file := homeConfig(t, hook.URL, "slipway", far.URL)
	home, out := child(t, nil, "watch", "--config", file)
	eventually(t, 30*time.Second, "it is heard", func() bool { return out.page() != "" && judgedAs(t, out, "slipway") == watch.Fine })
	far.Close()
	eventually(t, 30*time.Second, "its dark is expected", func() bool { return judgedAs(t, out, "slipway") == watch.ExpectedDark })
	if err := home.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = home.Wait() // it was killed
	_, out = child(t, nil, "watch", "--config", file)
	eventually(t, 30*time.Second, "its dark is expected still", func() bool { return out.page() != "" && judgedAs(t, out, "slipway") == watch.ExpectedDark })
	if got := hook.notices("watch"); len(got) != 0 {
		t.Errorf("an alarm for what was said: %+v", got)
	}
	if body, _ := get(t, out.page()+"/"); !strings.Contains(body, "expected dark") {
		t.Errorf("the page:\n%s", body)
	}
}

// Maintenance is asked of a watcher as of a node.
func TestSilenceReachesTheWatcher(t *testing.T) {
	t.Parallel()
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{"site":"slipway"}`) }))
	defer far.Close()
	file := homeConfig(t, newReceiver(t).URL, "slipway", far.URL)
	if _, stderr, code := said(t, "silence", "--for", "2h", "--why", "rope", "--config", file); code != 1 || !strings.Contains(stderr, "no daemon runs") {
		t.Errorf("code %d: %s", code, stderr)
	}
	_, out := child(t, nil, "watch", "--config", file)
	eventually(t, 20*time.Second, "it runs", func() bool { return out.page() != "" })
	if _, stderr, code := said(t, "silence", "--for", "2h", "--why", "rope", "--config", file); code != 0 {
		t.Errorf("code %d: %s", code, stderr)
	}
	eventually(t, 20*time.Second, "its page says so", func() bool {
		body, _ := get(t, out.page()+"/")
		return strings.Contains(body, "Nothing is sent until") && strings.Contains(body, "rope")
	})
}

func TestWatchSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "home.yaml")
	write(t, file, "site: {name: boathouse, latitude: 52.75, longitude: 6.57}\nnodes:\n  - {name: slipway}\nstate: state\n")
	out, stop := start(t, "watch", "--config", file)
	eventually(t, 10*time.Second, "it ends", func() bool { return strings.Contains(out.String(), "cannot use") })
	if code := stop(); code != 1 || !strings.Contains(out.String(), "home.yaml:3:5: a node needs at least one of state, metrics and ping") {
		t.Errorf("exit %d: %s", code, out)
	}
	write(t, file, "site: {name: boathouse, latitude: 52.75, longitude: 6.57}\nnodes:\n  - {name: slipway, ping: 127.0.0.1}\nstate: state\n")
	home := homeConfig(t, newReceiver(t).URL, "slipway", "http://127.0.0.1:1")
	if stdout, stderr, code := said(t, "watch", "--send-test", "--config", home); code != 0 || !strings.Contains(stdout, "the channel owner took the test notice") {
		t.Errorf("exit %d: %s%s", code, stdout, stderr)
	}
	out, stop = start(t, "watch", "--check", "--config", file)
	eventually(t, 10*time.Second, "it ends", func() bool { return strings.Contains(out.String(), "1 node, 0 channels") })
	if code := stop(); code != 0 {
		t.Errorf("exit %d: %s", code, out)
	}
}

// called gives a node of [configure] another name.
func called(t *testing.T, file, name string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, strings.Replace(string(text), "site: {name: slipway", "site: {name: "+name, 1))
}
