package web_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
)

// TestMain lets the tests run this program again as a server of its own, so that its
// memory can be told from that of its clients.
func TestMain(m *testing.M) {
	if os.Getenv("EBBWATCH_TEST_SERVER") != "" {
		os.Exit(serveUntilKilled())
	}
	os.Exit(m.Run())
}

// serveUntilKilled serves a snapshot that is made anew a hundred times a second, as a busy
// node would, and counts them in the uptime.
func serveUntilKilled() int {
	l, err := web.Listen(context.Background(), "127.0.0.1:0")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	var now atomic.Pointer[facts.Snapshot]
	now.Store(factstest.Alarmed())
	go func() {
		for range time.Tick(10 * time.Millisecond) {
			next := *now.Load()
			next.At.Mono += time.Second
			now.Store(&next)
		}
	}()
	fmt.Println(l.Addr())
	err = web.Server{Handler: web.New(web.Options{Snapshot: now.Load, Past: pastWeek})}.Serve(context.Background(), l)
	fmt.Fprintln(os.Stderr, err)
	return 1
}

// child starts the server and gives its address and a reading of its resident memory, kB.
func child(t *testing.T) (addr string, rss func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, os.Args[0])
	cmd.Env = append(os.Environ(), "EBBWATCH_TEST_SERVER=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); _ = cmd.Wait() }) // it is killed
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(line), func() int {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
		if err != nil {
			t.Skip("skipped: needs /proc")
		}
		n, err := strconv.Atoi(string(regexp.MustCompile(`VmRSS:\s+(\d+)`).FindSubmatch(b)[1]))
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
}

// What a client may do that means no good. Each leaves its connection open.
func attacks() map[string]func(net.Conn) {
	return map[string]func(net.Conn){
		"silent":       func(net.Conn) {},
		"half asked":   func(c net.Conn) { fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: x\r\nX-A: ") },
		"reads slowly": func(c net.Conn) { fmt.Fprint(c, strings.Repeat("GET / HTTP/1.1\r\nHost: x\r\n\r\n", 50)) },
		"huge header": func(c net.Conn) {
			fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: x\r\nX-A: %s\r\n\r\n", strings.Repeat("a", 60<<10))
		},
		"huge body": func(c net.Conn) {
			fmt.Fprintf(c, "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000000\r\n\r\n%s", strings.Repeat("a", 60<<10))
		},
		"long path": func(c net.Conn) { fmt.Fprintf(c, "GET /%s HTTP/1.1\r\nHost: x\r\n\r\n", strings.Repeat("../", 2000)) },
	}
}

// A crowd of hostile clients neither stops the node nor makes the server grow: ten thousand
// connections with EBBWATCH_STUDY, six hundred otherwise.
func TestHostileCrowd(t *testing.T) {
	t.Parallel()
	crowd := 600
	if os.Getenv("EBBWATCH_STUDY") != "" {
		crowd = 10000
	}
	addr, rss := child(t)
	for range 30 { // as after some days of use
		if _, _, err := fetch(t, http.DefaultClient, "http://"+addr+"/", nil); err != nil {
			t.Fatal(err)
		}
	}
	steps := func() float64 {
		code, body, err := fetch(t, &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}, "http://"+addr+"/api/v1/state", nil)
		if err != nil || code != http.StatusOK {
			t.Fatalf("the server does not answer: %d %v", code, err)
		}
		x, err := strconv.ParseFloat(regexp.MustCompile(`"uptime_seconds": ([\d.]+)`).FindStringSubmatch(body)[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	before, was := steps(), rss()
	most := was
	for name, attack := range attacks() {
		var conns []net.Conn
		for range crowd / len(attacks()) {
			c, err := net.DialTimeout("tcp", addr, time.Second)
			if err != nil {
				break // the kernel's queue is full: that is a limit as well
			}
			_ = c.SetWriteDeadline(time.Now().Add(100 * time.Millisecond))
			attack(c)
			conns = append(conns, c)
		}
		most = max(most, rss())
		for _, c := range conns {
			c.Close()
		}
		t.Logf("%s: %d connections, %d kB resident", name, len(conns), most)
	}
	if grown := most - was; grown > 10<<10 && !underRace {
		t.Errorf("the server grew by %d kB, from %d", grown, was)
	}
	if after := steps(); after <= before {
		t.Error("the node stood still meanwhile")
	}
}

// A request that says one length and sends another must not become two requests.
func TestRequestSmuggling(t *testing.T) {
	t.Parallel()
	addr, _ := start(t, "")
	for _, head := range []string{
		"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n",
		"Content-Length: 4\r\nContent-Length: 40\r\n",
		"Transfer-Encoding: xchunked\r\n",
		"Content-Length: -1\r\n",
	} {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(c, "GET /-/healthy HTTP/1.1\r\nHost: x\r\n%s\r\n0\r\n\r\nGET /api/v1/state HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", head)
		_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
		answer, _ := io.ReadAll(c) // what came until the server closed
		c.Close()
		if strings.Contains(string(answer), "slipway") {
			t.Errorf("%q: the hidden request was answered", head)
		}
	}
}
