package climate

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ebbwatch/collector/regular"
	"ebbwatch/collector/webclient"
)

// Usual is the address of a public service that gives daily sun and temperature for any place on
// Earth since 1981 without a key. Its form is as documented there; {lat}, {lon}, {from} and {to} are
// filled in.
const Usual = "https://power.larc.nasa.gov/api/temporal/daily/point?parameters=ALLSKY_SFC_SW_DWN,T2M,T2M_MIN,T2M_MAX" +
	"&community=RE&longitude={lon}&latitude={lat}&start={from}&end={to}&format=JSON"

// years is how long a record is asked for, and budget how large an answer may be, bytes: 25 years
// of four values a day are some 700 kB as JSON.
const (
	years  = 25
	budget = 4 << 20
)

// Fetch asks once. The coordinates are told to a hundredth of a degree, which is about a kilometre.
func Fetch(ctx context.Context, address string, lat, lon, altitudeM float64, now time.Time) (*Record, error) {
	end := time.Date(now.Year()-1, 12, 31, 0, 0, 0, 0, time.UTC)
	degrees := func(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) }
	address = strings.NewReplacer("{lat}", degrees(lat), "{lon}", degrees(lon),
		"{from}", end.AddDate(-years, 0, 1).Format("20060102"), "{to}", end.Format("20060102")).Replace(address)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, fmt.Errorf("cannot ask for the climate: %w", err)
	}
	client := webclient.New(webclient.Options{Timeout: 2 * time.Minute, Redirects: webclient.Followed})
	resp, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("cannot ask for the climate: %w; a file does as well: --file", err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, budget+1))
	switch {
	case resp.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("cannot get the climate: %s answered %s", req.URL.Host, resp.Status)
	case err != nil:
		return nil, fmt.Errorf("cannot get the climate: %s broke off: %w", req.URL.Host, err)
	case len(body) > budget:
		return nil, fmt.Errorf("cannot use the climate: the answer of %s is larger than %d MB", req.URL.Host, budget>>20)
	}
	r, err := Read(body, lat, lon, altitudeM)
	if err != nil {
		return nil, fmt.Errorf("%w (from %s)", err, req.URL.Host)
	}
	r.From, r.Got = req.URL.Host, now
	return r, nil
}

// Open reads a file that the owner gives.
func Open(path string, lat, lon, altitudeM float64, now time.Time) (*Record, error) {
	f, err := regular.Open(path)
	if err != nil {
		return nil, fmt.Errorf("cannot open the climate: %w", err)
	}
	defer f.Close()
	body, err := io.ReadAll(io.LimitReader(f, 16<<20))
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", path, err)
	}
	r, err := Read(body, lat, lon, altitudeM)
	if err != nil {
		return nil, fmt.Errorf("%w (from %s)", err, path)
	}
	r.From, r.Got = path, now
	return r, nil
}
