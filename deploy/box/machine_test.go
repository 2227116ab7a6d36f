package box_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"

	"ebbwatch/collector/needtest"
)

// machine is a board in a box: its disks outlive the program that runs it, as a board's card
// outlives its power.
type machine struct {
	t       *testing.T
	dir     string // disks, console and socket
	disks   string // the folder that `image` made
	serial  string // our end of the line to the slave
	hook    string // where notices go on this machine
	page    string // the daemon's page, forwarded
	kernel  string // further words for the kernel
	cmd     *exec.Cmd
	shell   net.Conn
	replies *bufio.Reader
}

// power starts the board. The network ends at this machine: one port in, one out.
func (m *machine) power() {
	m.t.Helper()
	_ = os.Remove(filepath.Join(m.dir, "shell"))
	l, err := net.Listen("unix", filepath.Join(m.dir, "shell"))
	if err != nil {
		m.t.Fatal(err)
	}
	defer l.Close()
	port := freePort(m.t)
	m.page = fmt.Sprintf("http://127.0.0.1:%d", port)
	m.cmd = exec.Command("qemu-system-x86_64", "-accel", "tcg", "-m", "256", "-nodefaults", "-display", "none",
		"-rtc", "base=1970-01-01T00:00:10", // a clock without a battery
		"-kernel", filepath.Join(m.disks, "vmlinuz"), "-initrd", filepath.Join(m.disks, "initrd.img"),
		"-append", "console=ttyS0 quiet mitigations=off panic=0 root=LABEL=boxroot systemd.show_status=0 systemd.journald.forward_to_console=1 "+m.kernel,
		"-drive", "if=virtio,format=raw,file="+filepath.Join(m.dir, "root.img"),
		"-drive", "if=virtio,format=raw,file="+filepath.Join(m.dir, "state.img"),
		"-chardev", "file,id=console,append=on,path="+filepath.Join(m.dir, "console"), "-serial", "chardev:console",
		"-chardev", "serial,id=line,path="+m.serial, "-serial", "chardev:line",
		"-device", "i6300esb", "-action", "watchdog=reset",
		"-device", "virtio-serial-pci", "-chardev", "socket,id=shell,path="+filepath.Join(m.dir, "shell"),
		"-device", "virtserialport,chardev=shell,name=box.shell",
		"-netdev", fmt.Sprintf("user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:%d-:9777,guestfwd=tcp:10.0.2.100:8080-cmd:socat - TCP:%s", port, m.hook),
		"-device", "virtio-net-pci,netdev=net")
	said, err := os.OpenFile(filepath.Join(m.dir, "qemu"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		m.t.Fatal(err)
	}
	defer said.Close()
	m.cmd.Stderr = said
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	if err := l.(*net.UnixListener).SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
		m.t.Fatal(err)
	}
	if m.shell, err = l.Accept(); err != nil {
		m.t.Fatalf("qemu did not start: %v\n%s", err, tail(filepath.Join(m.dir, "qemu")))
	}
	m.replies = bufio.NewReader(m.shell)
}

// cut takes the power away, at once.
func (m *machine) cut() {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Kill()
	_ = m.cmd.Wait() // it was killed
	_ = m.shell.Close()
	m.cmd = nil
}

// do runs a command on the board, as root, and gives what it said.
func (m *machine) do(command string) (string, error) {
	const end = "--it ended with "
	if err := m.shell.SetDeadline(time.Now().Add(4 * time.Minute)); err != nil {
		return "", err
	}
	if _, err := fmt.Fprintf(m.shell, "{ %s\n} 2>&1; echo '%s'$?\n", command, end); err != nil {
		return "", err
	}
	var out strings.Builder
	for {
		line, err := m.replies.ReadString('\n')
		if err != nil {
			return out.String(), err
		}
		if before, code, found := strings.Cut(line, end); found {
			out.WriteString(before)
			if strings.TrimSpace(code) != "0" {
				return out.String(), fmt.Errorf("exit code %s", strings.TrimSpace(code))
			}
			return out.String(), nil
		}
		out.WriteString(line)
	}
}

// must is do for a command that has to succeed.
func (m *machine) must(command string) string {
	m.t.Helper()
	out, err := m.do(command)
	if err != nil {
		m.t.Fatalf("%s: %v\n%s", command, err, out)
	}
	return out
}

// get asks the page.
func (m *machine) get(path string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, m.page+path, nil)
	if err != nil {
		return "", err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", resp.Status, body)
	}
	return string(body), err
}

// state is what the test looks at in the daemon's answer to programs.
type state struct {
	Ready        bool     `json:"ready"`
	ClockTrusted bool     `json:"clock_trusted"`
	Problems     []string `json:"problems"`
	Battery      struct {
		SoC  *float64 `json:"soc"`
		Low  *float64 `json:"soc_low"`
		High *float64 `json:"soc_high"`
	} `json:"battery"`
	Sources []struct {
		Name string `json:"name"`
		Up   bool   `json:"up"`
	} `json:"sources"`
	Alarms []struct {
		ID   string `json:"id"`
		Rule string `json:"rule"`
	} `json:"alarms"`
}

func (m *machine) state() (s state, err error) {
	body, err := m.get("/api/v1/state")
	if err != nil {
		return s, err
	}
	return s, json.Unmarshal([]byte(body), &s)
}

// well: it answers, is ready, reads its charger and believes something of its battery.
func (s state) well() bool {
	return s.Ready && len(s.Sources) == 1 && s.Sources[0].Up && s.Battery.SoC != nil
}

// until waits until the daemon's state is as wanted, and gives it.
func (m *machine) until(limit time.Duration, what string, is func(state) bool) state {
	m.t.Helper()
	var s state
	var err error
	for end := time.Now().Add(limit); time.Now().Before(end); <-time.After(200 * time.Millisecond) {
		if s, err = m.state(); err == nil && is(s) {
			return s
		}
	}
	m.t.Fatalf("not within %s: %s\nlast answer: %+v, %v\n%s", limit, what, s, err, tail(filepath.Join(m.dir, "console")))
	return s
}

// newMachine makes a board with a card of its own and a slave on its line.
func newMachine(t *testing.T, disks string, r *receiver) (*machine, *slave) {
	t.Helper()
	s := newSlave(t)
	m := &machine{t: t, dir: t.TempDir(), disks: disks, serial: s.port, hook: r.server.Listener.Addr().String(), kernel: "rw"}
	for _, disk := range []string{"root.img", "state.img"} {
		if out, err := exec.Command("cp", "--sparse=always", filepath.Join(disks, disk), m.dir).CombinedOutput(); err != nil {
			t.Fatalf("%v %s", err, out)
		}
	}
	t.Cleanup(m.cut)
	return m, s
}

// slave is the charger: a program that others wrote, at the far end of a line.
type slave struct {
	t    *testing.T
	port string
	in   io.Writer
}

func newSlave(t *testing.T) *slave {
	t.Helper()
	python := needtest.Python(t, "pymodbus.server.async_io")
	near, ours, err := pty.Open()
	needtest.Need(t, "pseudo-terminals", err == nil)
	far, theirs, err := pty.Open()
	needtest.Need(t, "pseudo-terminals", err == nil)
	t.Cleanup(func() {
		for _, f := range []*os.File{ours, theirs, near, far} {
			_ = f.Close()
		}
	})
	go pass(near, far) // both end when the terminals are closed
	go pass(far, near)
	cmd := exec.Command(python, "slave.py", theirs.Name(), "16=1310", "17=-150", "18=180", "19=1800", "20=150", "21=250")
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return &slave{t, ours.Name(), in}
}

// pass carries what was said from one end of the line to the other, and takes its time as a line
// of 9600 baud does: pseudo-terminals would answer before the question has left the port.
func pass(to io.Writer, from io.Reader) {
	some := make([]byte, 256)
	for {
		n, err := from.Read(some)
		if err != nil {
			return
		}
		<-time.After(20*time.Millisecond + time.Duration(n)*10*time.Second/9600)
		if _, err := to.Write(some[:n]); err != nil {
			return
		}
	}
}

// set puts a value into a register.
func (s *slave) set(register, value int) {
	s.t.Helper()
	if _, err := fmt.Fprintf(s.in, "%d=%d\n", register, value); err != nil {
		s.t.Fatal(err)
	}
}

// receiver counts the notices that reach the owner. While it is away it answers with an error.
type receiver struct {
	server *httptest.Server
	away   atomic.Bool
	mu     sync.Mutex
	told   []notice
}

// notice is what the receiver keeps of one.
type notice struct{ ID, Rule, Phase string }

func newReceiver(t *testing.T) *receiver {
	t.Helper()
	r := &receiver{}
	r.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		var n notice
		if err := json.NewDecoder(req.Body).Decode(&n); r.away.Load() || err != nil {
			http.Error(w, "away", http.StatusServiceUnavailable)
			return
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		r.told = append(r.told, n)
	}))
	t.Cleanup(r.server.Close)
	return r
}

// count is how many notices came, and the ids of a rule in a phase among those after the first
// so many, each with how often it came.
func (r *receiver) count(after int, rule, phase string) (all int, ids map[string]int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	ids = map[string]int{}
	for _, n := range r.told[after:] {
		if n.Rule == rule && n.Phase == phase {
			ids[n.ID]++
		}
	}
	return len(r.told), ids
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func tail(path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return err.Error()
	}
	return string(text[max(0, len(text)-4000):])
}
