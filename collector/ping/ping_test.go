package ping

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/reading"
)

func TestConfig(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ name, yaml, want string }{
		{"two hosts", "hosts: {gate: 10.20.0.2, boathouse: '2001:db8::1'}", ""},
		{"a name", "hosts: {gate: gate.reservoir.example}", ""},
		{"no hosts", "count: 3", "hosts is missing"},
		{"empty hosts", "hosts: {}", "hosts: names no host"},
		{"no address", "hosts: {gate: ''}", "hosts: gate has no address"},
		{"a url", "hosts: {gate: 'http://gate/'}", `hosts: "http://gate/" of gate is neither an address nor a host name`},
		{"a port", "hosts: {gate: '10.20.0.2:80'}", `hosts: "10.20.0.2:80" of gate has a port: echo has none`},
		{"too quick", "hosts: {gate: 10.20.0.2}\ninterval: 1ms", "interval: 1ms is outside 20ms..10s"},
		{"too long", "hosts: {gate: 10.20.0.2}\ncount: 50\ninterval: 1s", "count: a poll would take 51s (count, interval and wait), at most 25s"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			s := decodetest.Section(t, row.yaml, nil)
			src, err := Kind().New(s)
			if got := decodetest.Problems(s); got != row.want {
				t.Errorf("problems %q, want %q", got, row.want)
			}
			if (err == nil) != (row.want == "") || (src == nil) != (row.want != "") {
				t.Errorf("source %v, error %v", src, err)
			}
		})
	}
}

func testConfig(hosts map[string]string) Config {
	return Config{Hosts: hosts, Count: 4, Interval: 20 * time.Millisecond, Wait: 200 * time.Millisecond, Size: 56, Window: 3}
}

// value finds a value of a host.
func value(values []reading.Value, q reading.Quantity, of string) (float64, bool) {
	for _, v := range values {
		if v.Quantity == q && v.Of == of {
			return v.X, true
		}
	}
	return math.NaN(), false
}

// wantValue fails unless the value is there and near x; NaN wants it absent.
func wantValue(t *testing.T, values []reading.Value, q reading.Quantity, of string, x float64) {
	t.Helper()
	got, known := value(values, q, of)
	if known == math.IsNaN(x) || known && math.Abs(got-x) > 1e-9 {
		t.Errorf("%v of %s is %v (known %v), want %v", q, of, got, known, x)
	}
}

func ms(xs ...int) (d []time.Duration) {
	for _, x := range xs {
		d = append(d, time.Duration(x)*time.Millisecond)
	}
	return d
}

func TestWindow(t *testing.T) {
	t.Parallel()
	w := &window{size: 2}
	w.add(outcome{lost: 4})                        // will have left the window
	w.add(outcome{lost: 1, rtts: ms(10, 30, 20)})  // by hand: changes 20, 10
	w.add(outcome{lost: 0, rtts: ms(40, 100, 50)}) // and 20, 60, 50
	v := w.values("gate", true)
	wantValue(t, v, reading.PeerUp, "gate", 1)
	wantValue(t, v, reading.PeerLossRatio, "gate", 1.0/7)
	wantValue(t, v, reading.PeerRTTSeconds, "gate", 0.035)      // between 30 and 40
	wantValue(t, v, reading.PeerRTTP95Seconds, "gate", 0.0875)  // 4.75 of 0…5: 50 + 0.75·50
	wantValue(t, v, reading.PeerJitterSeconds, "gate", 0.160/5) // (20+10+20+60+50)/5
	v = w.values("gate", false)
	wantValue(t, v, reading.PeerUp, "gate", 0)
	wantValue(t, v, reading.PeerRTTSeconds, "gate", math.NaN())
	if v := (&window{size: 2, polls: []outcome{{}}}).values("gate", false); len(v) != 1 {
		t.Errorf("a window without a probe gives %v, want peer_up alone", v)
	}
}

// script is a prober that gives what a test says.
func script(outcomes map[string]func() (outcome, error)) prober {
	return func(_ context.Context, to netip.Addr, _ Config) (outcome, error) {
		return outcomes[to.String()]()
	}
}

func noLookup(context.Context, string, string) ([]netip.Addr, error) {
	return nil, errors.New("no such name")
}

func TestReadKeepsTroublesApart(t *testing.T) {
	t.Parallel()
	c := testConfig(map[string]string{"gate": "10.20.0.1", "slipway": "10.20.0.2", "island": "10.20.0.3",
		"pump": "10.20.0.4", "lost": "nowhere.example", "half": "10.20.0.5", "late": "10.20.0.6"})
	src := newSource(c, script(map[string]func() (outcome, error){
		"10.20.0.1": func() (outcome, error) { return outcome{rtts: ms(5, 5, 5, 5)}, nil },
		"10.20.0.2": func() (outcome, error) { return outcome{}, fmt.Errorf("%w (x)", ErrProhibited) },
		"10.20.0.3": func() (outcome, error) { return outcome{}, fmt.Errorf("%w (x)", ErrUnreachable) },
		"10.20.0.4": func() (outcome, error) { return outcome{lost: 4}, nil },
		"10.20.0.5": func() (outcome, error) { return outcome{rtts: ms(5), lost: 1}, ErrUnreachable },
		"10.20.0.6": func() (outcome, error) { return outcome{}, context.DeadlineExceeded },
	}), noLookup)
	v, err := src.Read(t.Context())
	nan := math.NaN()
	for _, row := range []struct {
		of            string
		up, loss, rtt float64
	}{
		{"gate", 1, 0, 0.005}, {"slipway", 0, nan, nan}, {"island", 0, nan, nan},
		{"pump", 0, 1, nan}, {"lost", 0, nan, nan}, {"half", 1, 0.5, 0.005}, {"late", nan, nan, nan},
	} {
		wantValue(t, v, reading.PeerUp, row.of, row.up)
		wantValue(t, v, reading.PeerLossRatio, row.of, row.loss)
		wantValue(t, v, reading.PeerRTTSeconds, row.of, row.rtt)
	}
	for _, want := range []string{
		"cannot ping slipway (10.20.0.2): a route or firewall prohibits it (x)",
		"cannot ping island (10.20.0.3): it cannot be reached (x)",
		"cannot ping lost (nowhere.example): name does not resolve: no such name",
		"cannot ping half (10.20.0.5): it cannot be reached",
	} {
		if !strings.Contains(err.Error()+"\n", want+"\n") {
			t.Errorf("error %q does not hold %q", err, want)
		}
	}
	if strings.Contains(err.Error(), "pump") || strings.Contains(err.Error(), "gate") {
		t.Errorf("error %q speaks of a host that was probed", err)
	}
}

func TestReadWithoutRights(t *testing.T) {
	t.Parallel()
	denied := func() (outcome, error) { return outcome{}, ErrNotAllowed }
	src := newSource(testConfig(map[string]string{"a": "10.20.0.1", "b": "10.20.0.2"}),
		script(map[string]func() (outcome, error){"10.20.0.1": denied, "10.20.0.2": denied}), noLookup)
	v, err := src.Read(t.Context())
	if len(v) != 0 {
		t.Errorf("values %v: nothing is known of a host that may not be asked", v)
	}
	for _, want := range []string{"net.ipv4.ping_group_range", "CAP_NET_RAW"} {
		if strings.Count(err.Error(), want) != 1 {
			t.Errorf("error %q should name %s once", err, want)
		}
	}
	if collector.KindOf(err) != collector.Port {
		t.Errorf("kind %v", collector.KindOf(err))
	}
}

func TestNamesAreKept(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		asked := 0
		answer := []netip.Addr{netip.MustParseAddr("::ffff:10.20.0.7"), netip.MustParseAddr("10.20.0.8")}
		var fails error
		book := newAddressBook(func(context.Context, string, string) ([]netip.Addr, error) {
			asked++
			return answer, fails
		})
		find := func(want string, wantAsked int, wantErr string) {
			t.Helper()
			got, err := book.find(t.Context(), "gate.example")
			text := ""
			if err != nil {
				text = err.Error()
			}
			if got.String() != want || asked != wantAsked || text != wantErr {
				t.Errorf("found %v after %d look-ups, error %q; want %s, %d, %q", got, asked, text, want, wantAsked, wantErr)
			}
		}
		find("10.20.0.7", 1, "")
		time.Sleep(freshFor - time.Second)
		find("10.20.0.7", 1, "")
		answer[0], answer[1] = answer[1], answer[0] // the name server turns its answers round
		time.Sleep(2 * time.Second)
		find("10.20.0.7", 2, "")
		fails, answer = errors.New("server gone"), nil
		time.Sleep(freshFor)
		kept := "name does not resolve (server gone); going on with its last address 10.20.0.7"
		find("10.20.0.7", 3, kept)
		find("10.20.0.7", 3, kept) // not asked again so soon, but still said
		time.Sleep(retryAfter)
		find("10.20.0.7", 4, kept)
		fails, answer = nil, []netip.Addr{netip.MustParseAddr("10.20.0.9")}
		time.Sleep(retryAfter)
		find("10.20.0.9", 5, "")
		fails = nil
		answer = nil
		time.Sleep(freshFor)
		find("10.20.0.9", 6, "name does not resolve (it has no address); going on with its last address 10.20.0.9")
	})
}

func TestSlowNameServer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		book := newAddressBook(func(ctx context.Context, _, _ string) ([]netip.Addr, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		})
		began := time.Now()
		_, err := book.find(t.Context(), "gate.example")
		if took := time.Since(began); took != lookupTime || !errors.Is(err, ErrUnresolved) {
			t.Errorf("took %v, error %v", took, err)
		}
	})
}

func TestLossAgesOut(t *testing.T) {
	t.Parallel()
	next := outcome{lost: 4}
	src := newSource(testConfig(map[string]string{"gate": "10.20.0.1"}),
		script(map[string]func() (outcome, error){"10.20.0.1": func() (outcome, error) { return next, nil }}), noLookup)
	read := func(want float64) {
		t.Helper()
		v, err := src.Read(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantValue(t, v, reading.PeerLossRatio, "gate", want)
	}
	read(1)
	next = outcome{rtts: ms(1, 1, 1, 1)}
	read(0.5)
	read(1.0 / 3)
	read(0) // the window is three polls
}
