package history_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
)

// Whatever is asked, the answer is good, or says what is wrong with the question, and is
// never longer than the points that were asked for.
func FuzzHandler(f *testing.F) {
	s := open(f, history.Options{})
	fill(s, 0, time.Hour, 10*time.Second, true)
	for _, q := range [][4]string{{"", "", "", ""}, {"2026-11-20T00:00:00Z", "2026-11-20T01:00:00Z", "7", "pv_watts"}, {"0", "1e10", "5000", ""},
		{"-1e10", "99999999999", "1", "battery_soc,soc"}, {"NaN", "Inf", "0x10", "'; DROP TABLE raw"}, {"9223372036854775807", "1", "-9", "\x00"}} {
		f.Add(q[0], q[1], q[2], q[3])
	}
	f.Fuzz(func(t *testing.T, from, to, points, name string) {
		v := url.Values{}
		for key, text := range map[string]string{"from": from, "to": to, "points": points, "name": name} {
			if text != "" {
				v.Set(key, text)
			}
		}
		w := httptest.NewRecorder()
		s.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/history?"+v.Encode(), nil))
		switch w.Code {
		case http.StatusOK:
		case http.StatusBadRequest:
			if w.Body.Len() > 2000+len(name) {
				t.Errorf("the refusal is %d bytes long", w.Body.Len())
			}
		default:
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}
