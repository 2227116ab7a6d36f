package post

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector/regular"
	"ebbwatch/collector/webclient"
)

// Client sends requests. Each stands for itself: nothing stays open between notices, which
// are rare.
type Client struct {
	*webclient.Client
	// TakesPages: a web page with a status of success is an answer like any other.
	TakesPages bool
}

// maxAnswer bounds what is read of an answer. Nothing of it is used but its status.
const maxAnswer = 64 << 10

// NewClient makes a client whose requests, the reading of the answer among them, take at
// most the time given. A redirect elsewhere may be the log-in page of a network, so it is
// not followed, and trying again can help.
func NewClient(timeout time.Duration) *Client {
	return &Client{Client: webclient.New(webclient.Options{Timeout: timeout})}
}

// Send sends a body with POST or PUT. The error names the host alone, since address and
// headers may hold secrets; it is [alert.Refused] where the receiver will never take it.
func (c *Client) Send(ctx context.Context, method, address string, header http.Header, body []byte) error {
	r, err := http.NewRequestWithContext(ctx, method, address, bytes.NewReader(body))
	if err != nil {
		return alert.Refused(errors.New("cannot send the notice: the address is not one that can be used (not shown)"))
	}
	r.Header = header.Clone()
	host := r.URL.Host
	answer, err := c.Do(r)
	if err != nil {
		return fmt.Errorf("cannot send the notice to %s: %w", host, plain(err))
	}
	defer answer.Body.Close()
	said, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswer))
	switch {
	case err != nil && answer.StatusCode/100 != 2:
		return fmt.Errorf("cannot read the answer of %s: %w", host, plain(err))
	case answer.StatusCode/100 == 2 && !c.TakesPages && isPage(said):
		return fmt.Errorf("cannot send the notice to %s: it answered with a web page, as the log-in of a network does; "+
			"if the receiver does so itself, set answers_page: true", host)
	}
	return verdict(host, answer)
}

// isPage tells whether an answer is a web page, whatever it calls itself: many receivers that
// answer a plain word call it HTML.
func isPage(said []byte) bool {
	said = bytes.TrimLeft(said, "\ufeff \t\r\n")
	head := strings.ToLower(string(said[:min(len(said), 20)]))
	return slices.ContainsFunc([]string{"<!doctype html", "<html", "<head", "<script"}, func(tag string) bool { return strings.HasPrefix(head, tag) })
}

// plain takes the address out of an error.
func plain(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return errors.New("no answer in time")
		}
		return u.Err
	}
	return err
}

// verdict sorts an answer by its status (RFC 9110).
func verdict(host string, answer *http.Response) error {
	code := answer.StatusCode
	if code/100 == 2 {
		return nil
	}
	err := fmt.Errorf("cannot send the notice to %s: it answered %d %s", host, code, http.StatusText(code))
	switch {
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests, code/100 != 4:
		return alert.RetryAfter(err, retryAfter(answer.Header.Get("Retry-After"), answer.Header.Get("Date")))
	}
	return alert.Refused(err)
}

// retryAfter reads the header of that name: seconds, or a date, which is held against the
// receiver's own clock since that of a small board may be wrong.
func retryAfter(after, date string) time.Duration {
	if seconds, err := strconv.Atoi(after); err == nil {
		return time.Duration(max(0, min(seconds, 7*24*3600))) * time.Second
	}
	until, err := http.ParseTime(after)
	if err != nil {
		return 0
	}
	now, err := http.ParseTime(date)
	if err != nil {
		return 0
	}
	return max(0, until.Sub(now))
}

// maxSecret is far longer than any token or address.
const maxSecret = 64 << 10

// Secret reads a secret from a file: its content without the white space around it. The
// error names the file and never shows what is in it.
func Secret(path string) (string, error) {
	f, err := regular.Open(path)
	if err != nil {
		return "", fmt.Errorf("cannot read a secret: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	if err != nil {
		return "", fmt.Errorf("cannot read a secret: %w", err)
	}
	text := strings.TrimSpace(string(data))
	switch {
	case len(data) > maxSecret:
		return "", fmt.Errorf("cannot use the secret in %s: it is longer than %d bytes", path, maxSecret)
	case text == "":
		return "", fmt.Errorf("cannot use the secret in %s: the file is empty", path)
	}
	return text, nil
}

// CheckAddress says what is wrong with the address of a receiver, without showing it; nil
// when nothing is.
func CheckAddress(address string) error {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return errors.New("is not an address that begins with http:// or https:// (not shown)")
	}
	return nil
}

// Address gives the address of a receiver, from a file where one is named: that is read each
// time, so that it may be missing for now and can be changed. No error shows it.
func Address(address alert.Secret, file string) (string, error) {
	if file == "" {
		return string(address), nil
	}
	text, err := Secret(file)
	if err != nil {
		return "", err
	}
	if err := CheckAddress(text); err != nil {
		return "", fmt.Errorf("cannot use what stands in %s: it %w", file, err)
	}
	return text, nil
}

// CheckOneAddress reports, as the check of a section of the configuration, an address that is
// given not at all, twice, or is none.
func CheckOneAddress(section string, address alert.Secret, file string, problem func(key, what string)) {
	if (address == "") == (file == "") {
		problem("", section+" needs exactly one of url and url_file")
		return
	}
	if err := CheckAddress(string(address)); address != "" && err != nil {
		problem("url", err.Error())
	}
}
