//go:build linux

package ping

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

const inNamespace = "EBBWATCH_TEST_IN_NAMESPACE"

// TestNamespace runs the tests below again inside a network namespace of their own, where
// routes can be broken at will. Nothing outside is touched, and it ends with its process.
func TestNamespace(t *testing.T) {
	if os.Getenv(inNamespace) != "" {
		t.Skip("skipped: this is the inner run")
	}
	needtest.Program(t, "ip")
	cmd := exec.Command(os.Args[0], "-test.run=^TestBroken", "-test.v", "-test.timeout=60s")
	cmd.Env = append(os.Environ(), inNamespace+"=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET}
	if os.Getuid() != 0 {
		cmd.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{HostID: os.Getuid(), Size: 1}}
		cmd.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{HostID: os.Getgid(), Size: 1}}
	}
	out, err := cmd.CombinedOutput()
	if errors.Is(err, syscall.EPERM) {
		needtest.Need(t, "a network namespace: "+err.Error(), false)
	}
	if err != nil || strings.Count(string(out), "--- PASS: TestBroken") < 5 {
		t.Fatalf("inside the namespace: %v\n%s", err, out)
	}
}

func ip(t *testing.T, commands ...string) {
	t.Helper()
	for _, c := range commands {
		if out, err := exec.Command("ip", strings.Fields(c)...).CombinedOutput(); err != nil {
			t.Fatalf("ip %s: %v\n%s", c, err, out)
		}
	}
}

func inner(t *testing.T) {
	t.Helper()
	if os.Getenv(inNamespace) == "" {
		t.Skip("skipped: TestNamespace runs this inside")
	}
}

func TestBrokenPaths(t *testing.T) {
	inner(t)
	ip(t, "link set lo up", "link add d0 type veth peer name d0far", "link set d0 arp off", "link set d0 up", "link set d0far up",
		"addr add 10.20.0.9/24 dev d0", "addr add 2001:db8:1::9/64 dev d0 nodad",
		"route add prohibit 10.21.0.0/24", "route add unreachable 10.22.0.0/24", "route add blackhole 10.23.0.0/24",
		"-6 route add prohibit 2001:db8:2::/64", "-6 route add unreachable 2001:db8:3::/64")
	for _, row := range []struct {
		name, addr string
		want       error // nil: only silent
	}{
		{"silent", "10.20.0.1", nil},
		{"silent6", "2001:db8:1::1", nil},
		{"prohibited", "10.21.0.1", ErrProhibited},
		{"unreachable", "10.22.0.1", ErrUnreachable},
		{"blackhole", "10.23.0.1", ErrUnreachable},
		{"no route", "10.99.0.1", ErrUnreachable},
		{"prohibited6", "2001:db8:2::1", ErrProhibited},
		{"unreachable6", "2001:db8:3::1", ErrUnreachable},
		{"no route6", "2001:db8:9::1", ErrUnreachable},
	} {
		t.Run(row.name, func(t *testing.T) {
			v, err := newSource(testConfig(map[string]string{"x": row.addr}), echoer{}.probe, noLookup).Read(t.Context())
			wantValue(t, v, reading.PeerUp, "x", 0)
			loss, known := value(v, reading.PeerLossRatio, "x")
			if row.want == nil {
				if err != nil || loss != 1 {
					t.Errorf("loss %v, error %v; want all lost and no error", loss, err)
				}
				return
			}
			if !errors.Is(err, row.want) || known {
				t.Errorf("loss %v (known %v), error %v; want %v", loss, known, err, row.want)
			}
			t.Log(err)
		})
	}
}

// A route that becomes prohibited while probes are under way is where the library spins
// without an end; the guard has to stop it.
func TestBrokenOnTheWay(t *testing.T) {
	inner(t)
	ip(t, "link add d1 type veth peer name d1far", "link set d1 arp off", "link set d1 up", "link set d1far up", "addr add 10.30.0.9/24 dev d1")
	c := testConfig(map[string]string{"x": "10.30.0.1"})
	c.Count, c.Interval, c.Wait = 50, 50*time.Millisecond, time.Second
	done := make(chan error, 1)
	go func() {
		_, err := newSource(c, echoer{}.probe, noLookup).Read(context.Background())
		done <- err
	}()
	ip(t, "route add prohibit 10.30.0.1/32")
	select {
	case err := <-done:
		if !errors.Is(err, ErrProhibited) {
			t.Errorf("error %v, want %v", err, ErrProhibited)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the probe is still spinning")
	}
}

// A router on the way that complains is told from one that is silent.
func TestBrokenAtARouter(t *testing.T) {
	inner(t)
	// The router is a second namespace, held open by a process that ends with its pipe.
	cmd := exec.Command("cat")
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET, Pdeathsig: syscall.SIGKILL}
	hold, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		needtest.Need(t, "a second network namespace: "+err.Error(), false)
	}
	t.Cleanup(func() { hold.Close(); cmd.Wait() })
	setUpRouter(t, cmd.Process.Pid)
	for _, row := range []struct {
		addr string
		want error
	}{
		{"10.41.0.1", ErrProhibited}, {"10.42.0.1", ErrUnreachable}, {"10.40.0.2", nil},
		{"2001:db8:41::1", ErrProhibited}, {"2001:db8:42::1", ErrUnreachable},
	} {
		c := testConfig(map[string]string{"x": row.addr})
		c.Count = 1 // a router may complain only a few times in a row
		v, err := newSource(c, echoer{}.probe, noLookup).Read(t.Context())
		if row.want == nil {
			if err != nil {
				t.Errorf("%s: %v", row.addr, err)
			}
			continue
		}
		if !errors.Is(err, row.want) || !strings.Contains(err.Error(), "says so") {
			t.Errorf("%s: error %v, want %v", row.addr, err, row.want)
		}
		wantValue(t, v, reading.PeerUp, "x", 0)
		wantValue(t, v, reading.PeerLossRatio, "x", 1)
		t.Log(err)
	}
}

// setUpRouter joins this namespace to that of the process over a pair of links. The far
// side forwards, prohibits one network and cannot reach another.
func setUpRouter(t *testing.T, pid int) {
	t.Helper()
	ns := strconv.Itoa(pid)
	ip(t, "link add v0 type veth peer name v1 netns "+ns, "link set lo up", "link set v0 up",
		"addr add 10.40.0.1/24 dev v0", "addr add 2001:db8:40::1/64 dev v0 nodad")
	far := func(commands ...string) {
		t.Helper()
		for _, c := range commands {
			out, err := exec.Command("nsenter", append([]string{"-t", ns, "-n"}, strings.Fields(c)...)...).CombinedOutput()
			if err != nil {
				t.Fatalf("%s: %v\n%s", c, err, out)
			}
		}
	}
	far("ip link set lo up", "ip link set v1 up", "ip addr add 10.40.0.2/24 dev v1", "ip addr add 2001:db8:40::2/64 dev v1 nodad",
		"ip route add prohibit 10.41.0.0/24", "ip route add unreachable 10.42.0.0/24",
		"ip -6 route add prohibit 2001:db8:41::/64", "ip -6 route add unreachable 2001:db8:42::/64",
		"sysctl -q -w net.ipv4.ip_forward=1 net.ipv6.conf.all.forwarding=1 net.ipv4.icmp_ratelimit=0")
	ip(t, "route add 10.41.0.0/24 via 10.40.0.2", "route add 10.42.0.0/24 via 10.40.0.2",
		"-6 route add 2001:db8:41::/64 via 2001:db8:40::2", "-6 route add 2001:db8:42::/64 via 2001:db8:40::2")
}

// The guard alone, without the look at the route beforehand.
func TestBrokenGuard(t *testing.T) {
	inner(t)
	ip(t, "link set lo up", "route add prohibit 10.31.0.0/24")
	for _, raw := range []bool{true, false} {
		if !raw {
			allowGroups(t)
		}
		done := make(chan error, 1)
		go func() {
			_, err := run(context.Background(), netip.MustParseAddr("10.31.0.1"), testConfig(nil), raw)
			done <- err
		}()
		select {
		case err := <-done:
			if !errors.Is(err, ErrProhibited) {
				t.Errorf("raw %v: error %v, want %v", raw, err, ErrProhibited)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("raw %v: the probe is still spinning", raw)
		}
	}
}

// Unprivileged mode comes first, raw mode second, and without either the error says what
// to do.
func TestBrokenRights(t *testing.T) {
	inner(t)
	ip(t, "link set lo up")
	modes := make(chan string, 1)
	ask := func(drop bool) string {
		go func() {
			runtime.LockOSThread() // and never unlocked: the thread ends with its lost rights
			if drop {
				header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
				none := make([]unix.CapUserData, 2)
				if err := unix.Capset(&header, &none[0]); err != nil {
					modes <- err.Error()
					return
				}
			}
			raw, err := mode(netip.MustParseAddr("::1"))
			modes <- fmt.Sprint(raw, err)
		}()
		return <-modes
	}
	os.WriteFile(groupRange, []byte("1 0"), 0)
	if got := ask(false); got != "true <nil>" {
		t.Errorf("with CAP_NET_RAW alone: %s, want raw mode", got)
	}
	if got := ask(true); got != "true "+ErrNotAllowed.Error() {
		t.Errorf("without rights: %s", got)
	}
	allowGroups(t)
	if got := ask(true); got != "false <nil>" {
		t.Errorf("with a group alone: %s, want unprivileged mode", got)
	}
	v, err := newSource(testConfig(map[string]string{"a": "127.0.0.1", "b": "::1"}), echoer{}.probe, noLookup).Read(t.Context())
	if err != nil {
		t.Error(err)
	}
	wantValue(t, v, reading.PeerUp, "a", 1)
	wantValue(t, v, reading.PeerUp, "b", 1)
}

const groupRange = "/proc/sys/net/ipv4/ping_group_range" // of this namespace

func allowGroups(t *testing.T) {
	t.Helper()
	if err := os.WriteFile(groupRange, []byte("0 65535"), 0); err != nil {
		needtest.Need(t, "a writable ping_group_range: "+err.Error(), false)
	}
}
