package weather

import (
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/regular"
)

// parse reads an answer by the declared format. Where none was declared, the shape of the
// answer tells: the ready settings are tried in turn.
func (c *Client) parse(body []byte, now time.Time) (*reading.Forecast, error) {
	if c.known {
		return Parse(c.format, body, now)
	}
	for _, p := range Presets() {
		for _, f := range lesser(p.Format) {
			if fc, err := Parse(f, body, now); err == nil {
				return fc, nil
			}
		}
	}
	return nil, errors.New("cannot tell the shape of the answer: give weather.format, or a preset")
}

// lesser are the format and what is left of it where a service was asked for less.
func lesser(f Format) []Format {
	bare, light, cloud := f, f, f
	bare.Air = Field{}
	light.Air, light.Cloud = Field{}, Field{}
	cloud.Air, cloud.GHI = Field{}, Field{}
	return []Format{f, bare, light, cloud}
}

// address is where to ask. A file is read each time, so that a key can be changed.
func (c *Client) address() (string, error) {
	address := c.url
	if c.cfg.URLFile != "" {
		text, err := regular.Read(c.cfg.URLFile)
		if err != nil {
			return "", fmt.Errorf("cannot read the address of the weather: %w", err)
		}
		address = strings.TrimSpace(string(text))
	}
	return Address(address, c.lat, c.lon), nil
}

// bare takes the address out of an error: there may be a key in it.
func bare(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}
