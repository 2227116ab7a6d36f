package heartbeat

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/webclient"
)

// Config is the section heartbeat.
type Config struct {
	URL     alert.Secret  `yaml:"url" secret:"true" example:"https://deadman.example/your-key" doc:"address of the dead-man service; better kept in a file, since whoever knows it can feign that all is well"`
	URLFile string        `yaml:"url_file" path:"true" doc:"instead of url, a file that holds it"`
	Every   time.Duration `yaml:"every" default:"5m" range:"10s..24h" doc:"how often; set the service to some three times that"`
	Method  string        `yaml:"method" default:"GET" oneof:"GET POST" doc:"how it is sent"`
}

// Check wants exactly one address.
func (c *Config) Check(problem func(key, what string)) {
	post.CheckOneAddress("heartbeat", c.URL, c.URLFile, problem)
}

// Ready says why no heartbeat could be sent now: a file with the address that is not there yet.
func (c *Config) Ready() error {
	_, err := post.Address(c.URL, c.URLFile)
	return err
}

// How old things may get before they are not well any more.
const (
	loopLimit = 2 * time.Minute  // since the loop's last step
	boxLimit  = 30 * time.Minute // for which notices wait while their channel fails
	timeout   = 20 * time.Second
	maxAnswer = 16 << 10
)

// Sender sends heartbeats. Make one with [New].
type Sender struct {
	c      Config
	log    *slog.Logger
	client *webclient.Client
	well   health
	said   string // the last thing that was logged
}

// New makes a sender. Nothing is sent before [Sender.Run]; a file with the address is read
// each time, so that it may be missing for now and can be changed.
func New(c Config, log *slog.Logger) *Sender {
	c.Every, c.Method = cmp.Or(c.Every, 5*time.Minute), cmp.Or(c.Method, http.MethodGet)
	// A redirect is not followed: a log-in page is not the service.
	return &Sender{c: c, log: log, client: webclient.New(webclient.Options{Timeout: timeout, Redirects: webclient.NotAtAll})}
}

// DialWith has connections opened by a function that may count what goes out. It must be
// called before [Sender.Run].
func (s *Sender) DialWith(dial webclient.Dial) { s.client.DialWith(dial) }

// Format prints the sender without its address.
func (s *Sender) Format(f fmt.State, _ rune) { io.WriteString(f, "heartbeat") }

// Run sends until the context ends. It looks at the newest snapshot four times a period,
// and at least every half minute, so that a loop that hangs is noticed.
func (s *Sender) Run(ctx context.Context, snapshot func() *facts.Snapshot) {
	look := min(s.c.Every/4, 30*time.Second)
	tick := time.NewTicker(look)
	defer tick.Stop()
	next := time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		now := time.Now()
		why := s.well.look(snapshot(), now)
		if now.Before(next) {
			continue
		}
		if why != "" {
			s.say("no heartbeat is sent, so that somebody notices", why)
			continue
		}
		if err := s.beat(ctx); err != nil {
			s.say("the heartbeat did not arrive; will try again", err.Error())
			continue
		}
		s.say("", "")
		next = now.Add(s.c.Every)
	}
}

// say logs changes, not repetitions.
func (s *Sender) say(what, why string) {
	if s.said == what+why {
		return
	}
	s.said = what + why
	if what == "" {
		s.log.Info("heartbeats are sent")
		return
	}
	s.log.Warn(what, "why", why)
}

// beat sends one.
func (s *Sender) beat(ctx context.Context) error {
	address, err := post.Address(s.c.URL, s.c.URLFile)
	if err != nil {
		return fmt.Errorf("cannot send the heartbeat: %w", err)
	}
	r, err := http.NewRequestWithContext(ctx, s.c.Method, address, nil)
	if err != nil {
		return errors.New("cannot send the heartbeat: the address is not one that can be used (not shown)")
	}
	answer, err := s.client.Do(r)
	if err != nil {
		return fmt.Errorf("cannot send the heartbeat: %w", plain(err))
	}
	defer answer.Body.Close()
	_, _ = io.CopyN(io.Discard, answer.Body, maxAnswer) // nothing of it is used
	if answer.StatusCode/100 != 2 {
		return fmt.Errorf("cannot send the heartbeat: the service answered %d %s", answer.StatusCode, http.StatusText(answer.StatusCode))
	}
	return nil
}

// plain takes the address out of an error; its host is a part of it that may tell, too.
func plain(err error) error {
	var u *url.Error
	if !errors.As(err, &u) {
		return errors.New("the connection failed")
	}
	if u.Timeout() {
		return errors.New("no answer in time")
	}
	return errors.New("the service cannot be reached")
}
