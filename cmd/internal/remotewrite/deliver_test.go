package remotewrite

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// answers is something that stands between and gives the same answer to everything for a while.
func answers(until time.Time, code int, kind, body string) func(*http.Request) *httptest.ResponseRecorder {
	return func(*http.Request) *httptest.ResponseRecorder {
		if !time.Now().Before(until) {
			return nil
		}
		w := httptest.NewRecorder()
		w.Header().Set("Content-Type", kind)
		w.WriteHeader(code)
		io.WriteString(w, body)
		return w
	}
}

// ends sorts what came, once each.
func ends(got []string) []string {
	got = slices.Clone(got)
	slices.Sort(got)
	return slices.Compact(got)
}

// Something between answers in place of the server for 14 s. Nothing is taken for sent, and the
// newest version is spoken afterwards as before.
func TestWhatStandsBetweenTakesNothing(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		code       int
		kind, body string
		says       string
	}{
		"a proxy refuses":          {400, "text/plain", "bad request", "400 Bad Request: bad request"},
		"a proxy refuses, a page":  {400, "text/html", "<html>bad request", "400 Bad Request"},
		"a proxy finds it large":   {413, "text/html", "<html>too large", "413"},
		"a proxy cannot handle it": {422, "text/plain", "", "422"},
		"a log-in page":            {200, "text/html; charset=utf-8", "<!doctype html><title>Welcome", "a log-in page or a proxy"},
		"a page without a kind":    {200, "", "  <HTML>welcome", "a log-in page or a proxy"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				s := &server{t: t}
				until := began.Add(14 * time.Second)
				s.between = answers(until, c.code, c.kind, c.body)
				told := &bytes.Buffer{}
				w := run(t, records(44), s, Options{Log: slog.New(slog.NewTextHandler(told, nil))}, time.Hour)
				if got := ends(s.got); !slices.Equal(got, ends(want(44))) || len(s.got) != 3*44 {
					t.Errorf("%d samples came, %d unlike; want each of 132 once", len(s.got), len(got))
				}
				if st := w.Stats(); st.Refused != 0 || st.Sent != 132 || st.Problem != "" {
					t.Errorf("%+v", st)
				}
				if last := s.kinds[len(s.kinds)-1]; !strings.Contains(last, "v2") {
					t.Errorf("afterwards it speaks %q", last)
				}
				if !strings.Contains(told.String(), c.says) || strings.Contains(told.String(), "regatta") {
					t.Errorf("it says %s", told)
				}
				if len(s.kinds) > 40 {
					t.Errorf("it asked %d times", len(s.kinds))
				}
			})
		})
	}
}

// One bad sample takes no other along; it is counted, and its series is named.
func TestABadSampleIsLeftOutAlone(t *testing.T) {
	t.Parallel()
	for _, only1 := range []int{0, 415, 400, 204} {
		synctest.Test(t, func(t *testing.T) {
			var log bytes.Buffer
			bad := want(44)[44+17] // the outlook of the 18th row
			s := &server{t: t, only1: only1, bad: func(x string) bool { return x == bad }}
			w := run(t, records(44), s, Options{Log: slog.New(slog.NewTextHandler(&log, nil))}, time.Hour)
			rest := slices.DeleteFunc(want(44), func(x string) bool { return x == bad })
			if got := ends(s.got); !slices.Equal(got, ends(rest)) {
				t.Errorf("%d of %d samples came", len(got), len(rest))
			}
			if st := w.Stats(); st.Refused != 1 || st.Sent != 131 || st.Problem != "" {
				t.Errorf("%+v", st)
			}
			if !strings.Contains(log.String(), "cutoff_seconds") || strings.Contains(log.String(), "regatta") {
				t.Errorf("the log is %s", log.String())
			}
		})
	}
}

// What is refused altogether, such as all that is too old for the server, does not hold up the
// rest, and does not take a request a sample.
func TestWhatIsTooOldDoesNotHoldUpTheRest(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		late := fmt.Sprint(100 * 10000) // ms after noon: the 101st row
		old := func(x string) bool {
			at := strings.Fields(x[strings.LastIndex(x, ",")+1:])[0]
			return len(at) < len(late) || len(at) == len(late) && at < late
		}
		s := &server{t: t, bad: old}
		w := run(t, records(300), s, Options{}, time.Hour)
		if st := w.Stats(); st.Refused != 300 || st.Sent != 600 || len(ends(s.got)) != 600 {
			t.Errorf("%+v, %d came; want the first 300 refused and the rest sent", st, len(ends(s.got)))
		}
		if len(s.kinds) > 400 {
			t.Errorf("it took %d requests", len(s.kinds))
		}
	})
}

// A server, or a proxy before it, that takes small messages only gets small ones.
func TestALimitOfSize(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := &server{t: t}
		s.between = func(r *http.Request) *httptest.ResponseRecorder {
			if r.ContentLength <= 700 {
				return nil
			}
			return answers(time.Now().Add(1), 413, "text/html", "<html>")(r)
		}
		w := run(t, records(200), s, Options{}, time.Hour)
		if st := w.Stats(); st.Refused != 0 || st.Sent != 600 || len(ends(s.got)) != 600 {
			t.Errorf("%+v, %d came; want all 600", st, len(ends(s.got)))
		}
	})
}

// A file with the address that is missing for now holds up nothing but the sending, and is looked
// for again.
func TestTheAddressMayComeLater(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		s := &server{t: t}
		w := run(t, records(5), s, Options{Address: func() (string, error) {
			if time.Since(began) < time.Hour {
				return "", errors.New("cannot read a secret: no such file")
			}
			return "http://boathouse.invalid/write", nil
		}}, 50*time.Minute)
		if p := w.Stats().Problem; !strings.Contains(p, "no such file") || len(s.got) != 0 {
			t.Errorf("the problem is %q", p)
		}
		w = run(t, records(5), s, w.o, time.Hour)
		if st := w.Stats(); st.Sent != 15 || st.Problem != "" {
			t.Errorf("%+v", st)
		}
	})
}
