package peer

import (
	"io"
	"net/http"

	"ebbwatch/collector"
	"ebbwatch/collector/nodestate"
)

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
	body, err := io.ReadAll(io.LimitReader(resp.Body, nodestate.MaxBytes+1))
	if err != nil {
		return transportError(err)
	}
	if len(body) > nodestate.MaxBytes {
		return collector.Errorf(collector.Foreign, "its answer is longer than %d bytes", nodestate.MaxBytes)
	}
	st, err := nodestate.Parse(body)
	if err != nil {
		return collector.Errorf(collector.Foreign, "cannot use its answer: %w", err)
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
