package weather

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/webclient"
)

// Config is the section weather of the configuration.
type Config struct {
	Preset      string        `yaml:"preset" doc:"a ready setting: open-meteo, met-norway or us-weather-grid"`
	URL         string        `yaml:"url" secret:"true" example:"https://weather.example/forecast?lat={lat}&lon={lon}" doc:"address of the forecast; {lat} and {lon} are filled in"`
	URLFile     string        `yaml:"url_file" path:"true" doc:"a file that holds the address, if there is a key in it"`
	File        string        `yaml:"file" path:"true" doc:"a file of forecasts instead: issued,valid,ghi_w_m2[,air_celsius]"`
	Every       time.Duration `yaml:"every" default:"3h" range:"10m..48h" doc:"how often to ask"`
	Contact     string        `yaml:"contact" doc:"an address at which the service can reach you; some want one"`
	BytesPerDay int64         `yaml:"bytes_per_day" default:"2000000" doc:"most bytes to be read in a day"`
	Format      *Format       `yaml:"format" doc:"how to read the answer, where no preset does"`
}

// Check reports what does not fit together.
func (c *Config) Check(problem func(key, what string)) {
	p, known := FindPreset(c.Preset)
	switch {
	case c.File != "" && (c.URL != "" || c.URLFile != "" || c.Preset != ""):
		problem("file", "either a file or an address")
	case c.URL != "" && c.URLFile != "":
		problem("url_file", "is given beside url: only one of them can hold")
	case c.File != "":
		return
	case c.Preset != "" && !known:
		problem("preset", fmt.Sprintf("there is no preset %q", c.Preset))
	case c.URL == "" && c.URLFile == "" && p.URL == "":
		problem("", "needs the address of the forecast, a preset that has one, or a file")
	}
	if c.URL != "" {
		if u, err := url.Parse(Address(c.URL, 0, 0)); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
			problem("url", "the value (not shown) is no address such as https://weather.example/forecast?lat={lat}&lon={lon}")
		}
	}
	if c.Format != nil {
		c.Format.Check(func(key, what string) { problem("format."+key, what) })
	}
}

// Client asks for forecasts and remembers the last good one. It is used by one goroutine.
type Client struct {
	cfg    Config
	url    string
	format Format
	known  bool // format was declared; else it is told from the answer's shape
	agent  string
	lat    float64
	lon    float64
	http   *webclient.Client
	store  Store
	cache  cache
	last   *reading.Forecast
	loaded bool
	book   book // for a file of forecasts
}

// New makes a client for a place. The store keeps the last good answer; nil keeps none. agent
// names the program and its version.
func New(cfg Config, lat, lon float64, store Store, agent string) (*Client, error) {
	var first error
	cfg.Check(func(key, what string) {
		if first == nil {
			first = fmt.Errorf("cannot use the weather section: %s: %s", key, what)
		}
	})
	if first != nil {
		return nil, first
	}
	if cfg.Every <= 0 {
		cfg.Every = 3 * time.Hour
	}
	if cfg.BytesPerDay <= 0 {
		cfg.BytesPerDay = 2_000_000
	}
	c := &Client{cfg: cfg, agent: agent, store: store, http: webclient.New(webclient.Options{
		Timeout: time.Minute, Redirects: webclient.Followed, KeepAlive: true, // its pages come in a row
	})}
	p, _ := FindPreset(cfg.Preset)
	c.format, c.url = p.Format, p.URL
	if cfg.Format != nil {
		c.format = *cfg.Format
	}
	c.known = cfg.Format != nil || cfg.Preset != ""
	if cfg.URL != "" {
		c.url = cfg.URL
	}
	c.lat, c.lon = lat, lon
	if cfg.Contact != "" {
		c.agent += " (" + cfg.Contact + ")"
	}
	return c, nil
}

// DialWith has connections opened by a function that may count what goes out. It must be
// called before the first Fetch.
func (c *Client) DialWith(dial webclient.Dial) { c.http.DialWith(dial) }

// maxAnswer bounds one answer, bytes.
const maxAnswer = 4 << 20

// Fetch gives the newest forecast there is, asking the service when it is time. The
// forecast counts even beside an error, which says why there is no newer one. It is nil
// when none was ever had.
func (c *Client) Fetch(ctx context.Context, now time.Time) (*reading.Forecast, error) {
	if c.cfg.File != "" {
		return c.book.newest(c.cfg.File, now)
	}
	var err error
	if !c.loaded {
		c.loaded = true
		err = c.restore(now)
	}
	if !c.cache.due(now) {
		return c.last, err
	}
	return c.last, errors.Join(err, c.ask(ctx, now))
}

// Due is when the service will next be asked.
func (c *Client) Due() time.Time { return c.cache.NotBefore }

// restore reads what was kept; what was kept of another address is dropped, and what is damaged
// is forgotten and told of.
func (c *Client) restore(now time.Time) error {
	var was cache
	var err error
	if c.store != nil {
		err = c.store.Load(&was)
	}
	if was.URL == c.url {
		c.cache = was
	}
	c.cache.URL = c.url
	if err != nil {
		err = fmt.Errorf("cannot read the kept forecast: %w", err)
	}
	if c.cache.Body == "" {
		return err
	}
	fc, unusable := c.parse([]byte(c.cache.Body), c.cache.Fetched)
	if unusable != nil {
		c.cache.forget(now)
		return errors.Join(err, fmt.Errorf("cannot use the kept forecast: %w", unusable))
	}
	c.last = fc
	return err
}

// keep saves what is to be known after a restart.
func (c *Client) keep() error {
	if c.store == nil {
		return nil
	}
	if err := c.store.Save(c.cache); err != nil {
		return fmt.Errorf("cannot keep the forecast: %w", err)
	}
	return nil
}

// ask makes one request and files what came of it.
func (c *Client) ask(ctx context.Context, now time.Time) error {
	if spent := c.cache.spent(now); spent >= c.cfg.BytesPerDay {
		c.cache.NotBefore = now.Truncate(24 * time.Hour).Add(24 * time.Hour)
		return errors.Join(fmt.Errorf("cannot ask for the weather: the budget of %d bytes a day is spent", c.cfg.BytesPerDay), c.keep())
	}
	err := c.exchange(ctx, now)
	if err != nil && ctx.Err() == nil {
		c.cache.failed(now, c.cfg.Every)
	}
	return errors.Join(err, c.keep())
}

func (c *Client) exchange(ctx context.Context, now time.Time) error {
	address, err := c.address()
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return fmt.Errorf("cannot ask for the weather: %w", bare(err))
	}
	req.Header.Set("User-Agent", c.agent)
	req.Header.Set("Accept", "application/geo+json, application/json")
	if c.cache.Modified != "" && c.last != nil {
		req.Header.Set("If-Modified-Since", c.cache.Modified)
	}
	res, err := c.http.Do(req)
	if err != nil {
		return fmt.Errorf("cannot ask %s for the weather: %w", req.URL.Host, bare(err))
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer+1))
	c.cache.spend(now, int64(len(body))+500) // and about so much for the headers
	if err != nil {
		return fmt.Errorf("cannot read the weather from %s: %w", req.URL.Host, err)
	}
	return c.file(res, body, now)
}

// file takes in an answer by its status.
func (c *Client) file(res *http.Response, body []byte, now time.Time) error {
	host := res.Request.URL.Host
	switch {
	case res.StatusCode == http.StatusNotModified && c.last != nil:
		c.cache.good(now, expiry(res, now), c.cfg.Every)
		return nil
	case res.StatusCode == http.StatusTooManyRequests || res.StatusCode == http.StatusServiceUnavailable:
		c.cache.told = retryAfter(res, now)
		return fmt.Errorf("cannot get the weather from %s: it asks to be left alone (%s)", host, res.Status)
	case res.StatusCode == http.StatusNonAuthoritativeInfo:
		// A version that will go: still good.
	case res.StatusCode != http.StatusOK:
		return fmt.Errorf("cannot get the weather from %s: it answered %s", host, res.Status)
	}
	if len(body) > maxAnswer {
		return fmt.Errorf("cannot use the weather from %s: more than %d bytes", host, maxAnswer)
	}
	fc, err := c.parse(body, now)
	if err != nil {
		return fmt.Errorf("%s: %w", host, err)
	}
	c.last = fc
	c.cache.Body, c.cache.Fetched, c.cache.Modified = string(body), now, res.Header.Get("Last-Modified")
	c.cache.good(now, expiry(res, now), c.cfg.Every)
	return nil
}

// expiry is when an answer runs out by the service's own word; zero when it gives none. A
// board's clock may be wrong: it is told as a span from the service's own date.
func expiry(res *http.Response, now time.Time) time.Time {
	at, err := http.ParseTime(res.Header.Get("Expires"))
	if err != nil {
		return time.Time{}
	}
	if date, err := http.ParseTime(res.Header.Get("Date")); err == nil {
		return now.Add(at.Sub(date))
	}
	return at
}

// retryAfter is until when the service wants to be left alone; zero when it does not say.
func retryAfter(res *http.Response, now time.Time) time.Time {
	s := res.Header.Get("Retry-After")
	if n, err := strconv.Atoi(s); err == nil && n > 0 {
		return now.Add(time.Duration(n) * time.Second)
	}
	if at, err := http.ParseTime(s); err == nil {
		return at
	}
	return time.Time{}
}
