package command

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/post"
)

// Config is the section of a command.
type Config struct {
	Run      []string                `yaml:"run" need:"true" len:"1..64" example:"[/usr/local/bin/tell, owner]" doc:"the program, with its full path, and its arguments; no shell stands between"`
	Stdin    string                  `yaml:"stdin" default:"json" oneof:"json text" doc:"what it reads on its standard input: the notice as JSON, or as text for a person"`
	Env      map[string]alert.Secret `yaml:"env" secret:"true" doc:"its environment, beside PATH, LANG and HOME=/nonexistent"`
	EnvFiles map[string]string       `yaml:"env_files" path:"true" doc:"variables whose values are kept in files"`
	Dir      string                  `yaml:"dir" path:"true" doc:"its working folder; / when left out"`
	Timeout  time.Duration           `yaml:"timeout" default:"30s" range:"1s..10m" doc:"how long it may take"`
}

// Check finds what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) {
	if !strings.HasPrefix(c.Run[0], "/") {
		problem("run", fmt.Sprintf("%q is not a full path", c.Run[0]))
	}
	for name := range c.Env {
		if _, twice := c.EnvFiles[name]; twice {
			problem("env_files", fmt.Sprintf("%s is given under env too", name))
		}
	}
}

// Kind is this channel for the configuration.
func Kind() alert.Kind {
	return alert.Kind{
		Name:    "command",
		Summary: "a program of yours that reads the notice on its standard input",
		Sample:  "run: [/usr/local/bin/tell, owner]\n",
		New:     alert.Open(New),
	}
}

// Channel is one program.
type Channel struct{ c Config }

// New makes a channel; a zero timeout stands for the default.
func New(c Config) *Channel {
	if c.Timeout == 0 {
		c.Timeout = 30 * time.Second
	}
	return &Channel{c}
}

// Format prints the channel without its settings, some of which are secret.
func (c *Channel) Format(f fmt.State, _ rune) { io.WriteString(f, "command") }

// grace is how long what the program left open is waited for after it ended.
const grace = 2 * time.Second

// Send implements [alert.Channel]. Exit status 0 means taken; 64 and 65, which programs by
// old custom (sysexits) give for wrong usage and wrong data, that trying again is of no
// use; anything else, that it shall be tried again.
func (c *Channel) Send(ctx context.Context, n alert.Notice) error {
	ctx, cancel := context.WithTimeout(ctx, c.c.Timeout)
	defer cancel()
	env, err := c.environment(n)
	if err != nil {
		return err
	}
	input, err := c.input(n)
	if err != nil {
		return alert.Refused(fmt.Errorf("cannot write the notice for %s: %w", c.c.Run[0], err))
	}
	cmd := exec.CommandContext(ctx, c.c.Run[0], c.c.Run[1:]...)
	said := &tail{}
	cmd.Stdin, cmd.Stdout, cmd.Stderr, cmd.Env, cmd.Dir = bytes.NewReader(input), io.Discard, said, env, c.c.Dir
	if cmd.Dir == "" {
		cmd.Dir = "/"
	}
	// A group of its own, so that its children die with it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = grace
	err = cmd.Run()
	if cmd.Process != nil {
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // what it left behind, if anything
	}
	return c.verdict(ctx, err, said)
}

// Ready implements [alert.Readier]: the program is there and may be run.
func (c *Channel) Ready() error {
	if _, err := exec.LookPath(c.c.Run[0]); err != nil {
		return fmt.Errorf("cannot tell by %s: it cannot be started: %w", c.c.Run[0], errors.Unwrap(err))
	}
	_, err := c.environment(alert.Notice{})
	return err
}

func (c *Channel) verdict(ctx context.Context, err error, said *tail) error {
	var exit *exec.ExitError
	switch {
	case err == nil, errors.Is(err, exec.ErrWaitDelay):
		return nil // what it left running was ended, and is its own affair
	case ctx.Err() != nil:
		return fmt.Errorf("cannot tell by %s: it did not end within %v", c.c.Run[0], c.c.Timeout)
	case !errors.As(err, &exit):
		return fmt.Errorf("cannot tell by %s: it cannot be started: %w", c.c.Run[0], cause(err))
	}
	err = Ended{fmt.Errorf("cannot tell by %s: it ended with %w", c.c.Run[0], exit), said.last}
	if code := exit.ExitCode(); code == 64 || code == 65 {
		return alert.Refused(err)
	}
	return err
}

// Ended is the error of a program that did not take a notice. What it said last is kept apart: it
// may hold a secret that the program itself was given or found, and belongs neither on the page nor
// into a log, only on the screen of whoever tries the channel: ebbwatch check --send-test.
type Ended struct {
	error
	said func() string // no print of the error calls it
}

// Said is the last line of what the program wrote to its standard error.
func (e Ended) Said() string { return e.said() }

// Unwrap gives the exit status.
func (e Ended) Unwrap() error { return errors.Unwrap(e.error) }

// cause takes the arguments out of an error of the system.
func cause(err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// environment is all that the program sees of the world.
func (c *Channel) environment(n alert.Notice) ([]string, error) {
	env := []string{
		"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8", "HOME=/nonexistent",
		"EBBWATCH_ID=" + n.ID, "EBBWATCH_RULE=" + n.Rule, "EBBWATCH_PHASE=" + string(n.Phase), "EBBWATCH_SEVERITY=" + string(n.Severity),
	}
	for name, value := range c.c.Env {
		env = append(env, name+"="+string(value))
	}
	for name, file := range c.c.EnvFiles {
		value, err := post.Secret(file)
		if err != nil {
			return nil, err
		}
		env = append(env, name+"="+value)
	}
	return env, nil
}

func (c *Channel) input(n alert.Notice) ([]byte, error) {
	if c.c.Stdin == "text" {
		return []byte(n.Plain()), nil
	}
	data, err := json.Marshal(n)
	return append(data, '\n'), err
}

// tail keeps the end of what a program says, however much that is.
type tail struct {
	kept []byte
	cut  bool
}

const tailLimit = 4 << 10

// Write implements [io.Writer].
func (t *tail) Write(p []byte) (int, error) {
	t.kept = append(t.kept, p...)
	if over := len(t.kept) - tailLimit; over > 0 {
		t.kept, t.cut = append(t.kept[:0], t.kept[over:]...), true
	}
	return len(p), nil
}

// last is the last line; nothing when its beginning is lost, and with it what may be secret.
func (t *tail) last() string {
	text := strings.TrimSpace(string(t.kept))
	i := strings.LastIndexByte(text, '\n')
	if i < 0 && t.cut {
		return ""
	}
	return strings.ToValidUTF8(text[i+1:], "?")
}
