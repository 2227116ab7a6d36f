package watcher

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"syscall"
	"time"

	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/regular"
	"ebbwatch/collector/webclient"
)

// What is asked.
const (
	askState = iota
	askMetrics
	askConnect   // host:port: whether something answers there, be it with a refusal
	askDashboard // up, and how old its newest number is
)

// question is one thing that is asked again and again.
type question struct {
	kind   int
	target string
	query  string // of a dashboard
}

// answer is what came of a question.
type answer struct {
	up   bool
	said *nodestate.State // nil: it is up and says nothing that can be used
	err  error            // why it is not up, or says nothing
	// age is how old the dashboard's newest number is; fresh tells whether there is one.
	age   time.Duration
	fresh bool
}

// asker puts a question; it returns when the context ends.
type asker interface {
	ask(ctx context.Context, q question) answer
}

// network asks over the network.
type network struct {
	client *webclient.Client
	access Access
}

func newNetwork(a Access) *network {
	// A connection for each question: two hundred idle ones are not worth their memory. The
	// password stays with whom it was meant for.
	return &network{access: a, client: webclient.New(webclient.Options{Direct: true, Redirects: webclient.NotAtAll})}
}

func (n *network) ask(ctx context.Context, q question) answer {
	switch q.kind {
	case askConnect:
		return connect(ctx, q.target)
	case askDashboard:
		return n.dashboard(ctx, q)
	}
	address, parse := q.target, parseMetrics
	if q.kind == askState {
		address, parse = strings.TrimRight(q.target, "/")+nodestate.Path, nodestate.Parse
	}
	body, status, err := n.get(ctx, address, true)
	switch {
	case err != nil:
		return answer{err: err}
	case status == http.StatusServiceUnavailable:
		return answer{up: true, err: errors.New("it answers, and has nothing to say yet")}
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		return answer{up: true, err: errors.New("it wants another user or password: see access")}
	case status != http.StatusOK:
		// Something answers at the node's address; whether it is the node is not known.
		return answer{err: fmt.Errorf("it answers %d: is this the page of ebbwatch?", status)}
	}
	s, err := parse(body)
	if err != nil {
		return answer{err: err}
	}
	return answer{up: true, said: s}
}

// get fetches an address; only the nodes are told the password.
func (n *network) get(ctx context.Context, address string, withAccess bool) (body []byte, status int, err error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, 0, errors.New("the address is not one that can be used")
	}
	if withAccess && n.access.User != "" {
		password, err := regular.Read(n.access.PasswordFile)
		if err != nil {
			return nil, 0, fmt.Errorf("cannot read the password for the nodes: %w", err)
		}
		r.SetBasicAuth(n.access.User, strings.TrimRight(string(password), "\r\n"))
	}
	resp, err := n.client.Do(r)
	if err != nil {
		return nil, 0, plain(err)
	}
	defer resp.Body.Close()
	body, err = io.ReadAll(io.LimitReader(resp.Body, nodestate.MaxBytes+1))
	switch {
	case err != nil:
		return nil, 0, plain(err)
	case len(body) > nodestate.MaxBytes:
		return nil, 0, fmt.Errorf("the answer is longer than %d bytes", nodestate.MaxBytes)
	}
	return body, resp.StatusCode, nil
}

// plain drops what the client puts around an error.
func plain(err error) error {
	var ue *url.Error
	if errors.As(err, &ue) {
		err = ue.Err
	}
	var ne net.Error
	if errors.As(err, &ne) && ne.Timeout() {
		return errors.New("no answer in time")
	}
	return err
}

// connect opens a connection and closes it. A refusal is an answer too: only a host that
// runs gives one.
func connect(ctx context.Context, target string) answer {
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", target)
	if err == nil {
		_ = c.Close() // nothing was sent
	}
	if err == nil || errors.Is(err, syscall.ECONNREFUSED) {
		return answer{up: true}
	}
	return answer{err: plain(err)}
}

// dashboard asks for the age of the newest number.
func (n *network) dashboard(ctx context.Context, q question) answer {
	address := strings.TrimRight(q.target, "/") + "/api/v1/query?" + url.Values{"query": {q.query}}.Encode()
	body, status, err := n.get(ctx, address, false)
	if err != nil {
		return answer{err: err}
	}
	if status != http.StatusOK {
		return answer{err: fmt.Errorf("it answers %d", status)}
	}
	age, fresh, err := parseQuery(body)
	if err != nil {
		return answer{err: err}
	}
	return answer{up: true, age: age, fresh: fresh}
}

// parseQuery reads the answer to an instant query: a scalar, or the first of a vector. An
// empty vector is an answer: there is no number.
func parseQuery(body []byte) (age time.Duration, found bool, err error) {
	var a struct {
		Status string `json:"status"`
		Data   struct {
			Type   string          `json:"resultType"`
			Result json.RawMessage `json:"result"`
		} `json:"data"`
	}
	if err := json.Unmarshal(body, &a); err != nil || a.Status != "success" {
		return 0, false, errors.New("the answer to the query cannot be read")
	}
	var pair [2]any
	if a.Data.Type == "vector" {
		var rows []struct {
			Value [2]any `json:"value"`
		}
		if err := json.Unmarshal(a.Data.Result, &rows); err != nil {
			return 0, false, errors.New("the answer to the query cannot be read")
		}
		if len(rows) == 0 {
			return 0, false, nil
		}
		pair = rows[0].Value
	} else if err := json.Unmarshal(a.Data.Result, &pair); err != nil {
		return 0, false, errors.New("the answer to the query cannot be read")
	}
	text, _ := pair[1].(string)
	seconds, err := strconv.ParseFloat(text, 64)
	if err != nil || !(seconds > -3600 && seconds < 1e9) {
		return 0, false, fmt.Errorf("the answer to the query is %.20q, not an age in seconds", text)
	}
	return time.Duration(seconds * float64(time.Second)), true, nil
}
