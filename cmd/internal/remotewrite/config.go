package remotewrite

import (
	"log/slog"
	"maps"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
	"ebbwatch/collector/webclient"
)

// Config is the section remote_write: where the history is sent on to.
type Config struct {
	URL        alert.Secret      `yaml:"url" secret:"true" example:"http://10.20.0.1:9090/api/v1/write" doc:"all of the receiver's address"`
	URLFile    string            `yaml:"url_file" path:"true" doc:"a file that holds the address, if there is a password in it"`
	BearerFile string            `yaml:"bearer_file" path:"true" doc:"a file with a token for the header Authorization"`
	Labels     map[string]string `yaml:"labels" doc:"further labels of every series; instance is the site's name unless given"`
	BytesPerS  int               `yaml:"bytes_per_second" default:"20000" range:"100..10000000" doc:"most that is sent, while a gap is filled too"`
}

// Check wants exactly one address.
func (c *Config) Check(problem func(key, what string)) {
	post.CheckOneAddress("remote_write", c.URL, c.URLFile, problem)
}

// Ready says why nothing could be sent now: a file with a secret that is not there yet. It is
// read again each time, so that it may come later.
func (c *Config) Ready() error {
	if _, err := c.address(); err != nil {
		return err
	}
	_, err := c.token()
	return err
}

func (c *Config) address() (string, error) { return post.Address(c.URL, c.URLFile) }

// token is empty where there is none.
func (c *Config) token() (string, error) {
	if c.BearerFile == "" {
		return "", nil
	}
	return post.Secret(c.BearerFile)
}

// Options are those of a writer for a site, whose connections are opened by a function that may
// count what goes out.
func (c *Config) Options(site string, dial webclient.Dial, log *slog.Logger) Options {
	labels := map[string]string{"job": "ebbwatch", "instance": site}
	maps.Copy(labels, c.Labels)
	client := webclient.New(webclient.Options{KeepAlive: true, Redirects: webclient.NotAtAll})
	client.DialWith(dial)
	return Options{Address: c.address, Bearer: c.token, Labels: labels, Client: &client.Client, Rate: c.BytesPerS, Log: log}
}
