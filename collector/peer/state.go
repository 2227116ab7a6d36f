package peer

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"

	"ebbwatch/collector"
)

// maxState is the most bytes of an answer; a state is a few kilobytes.
const maxState = 1 << 20

// read takes the node's answer. A node that answers but has nothing to say is up.
func (a *answer) read(resp *http.Response, name, site string) error {
	switch resp.StatusCode {
	case http.StatusOK:
	case http.StatusServiceUnavailable:
		a.up = true
		return collector.Errorf(collector.Other, "it has no state yet")
	case http.StatusUnauthorized, http.StatusForbidden:
		a.up = true
		return collector.Errorf(collector.Refused, "it wants another user or password: set user and password_file")
	default:
		return collector.Errorf(collector.Foreign, "it answers %s: is this the page of ebbwatch?", resp.Status)
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxState+1))
	if err != nil {
		return transportError(err)
	}
	if len(body) > maxState {
		return collector.Errorf(collector.Foreign, "its answer is longer than %d bytes", maxState)
	}
	st, err := parse(body)
	if err != nil {
		return err
	}
	if site == "" {
		site = name
	}
	if st.Site != "" && st.Site != site {
		return collector.Errorf(collector.Foreign, "it calls itself %q: if that is right, set site", st.Site)
	}
	a.up, a.stamp = true, st.At
	if st.Battery.SoC != nil && (*st.Battery.SoC < 0 || *st.Battery.SoC > 1) {
		return collector.Errorf(collector.Refused, "it believes in a charge of %v", *st.Battery.SoC)
	}
	a.soc = st.Battery.SoC
	return nil
}

// state is as much of a node's state as is relied on. What is not there stays empty.
type state struct {
	Site    string `json:"site"`
	At      string `json:"at"`
	Battery struct {
		SoC *float64 `json:"soc"`
	} `json:"battery"`
}

// parse reads a state. It must be one JSON object and have at least one of our fields, for
// a page of something else could be any object.
func parse(body []byte) (state, error) {
	var st state
	d := json.NewDecoder(bytes.NewReader(body))
	if err := d.Decode(&st); err != nil {
		return state{}, collector.Errorf(collector.Foreign, "its answer is no state: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return state{}, collector.Errorf(collector.Foreign, "its answer is no state: something follows it")
	}
	if st.Site == "" && st.At == "" && st.Battery.SoC == nil {
		return state{}, collector.Errorf(collector.Foreign, "its answer is no state: neither site, at nor battery.soc is in it")
	}
	return st, nil
}
