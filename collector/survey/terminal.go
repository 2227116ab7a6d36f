package survey

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
)

// Terminal talks to the owner over a pair of streams. Its questions end when the context
// does, though a read that is under way is left waiting: the program is about to end then.
type Terminal struct {
	ctx   context.Context
	out   io.Writer
	lines chan string
	fail  error // why the lines ended; read after lines is closed
}

// NewTerminal reads lines from in and writes to out.
func NewTerminal(ctx context.Context, in io.Reader, out io.Writer) *Terminal {
	t := &Terminal{ctx: ctx, out: out, lines: make(chan string)}
	go t.read(in)
	return t
}

func (t *Terminal) read(in io.Reader) {
	defer close(t.lines)
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		select {
		case t.lines <- lines.Text():
		case <-t.ctx.Done():
			return
		}
	}
	t.fail = lines.Err()
}

// Say prints a line.
func (t *Terminal) Say(line string) { fmt.Fprintln(t.out, line) }

// Ask prints a question and waits for a line.
func (t *Terminal) Ask(prompt string) (string, error) {
	fmt.Fprint(t.out, prompt+" ")
	select {
	case line, more := <-t.lines:
		if more {
			return strings.TrimSpace(line), nil
		}
		if t.ctx.Err() == nil {
			if t.fail != nil {
				return "", fmt.Errorf("cannot read the answer: %w", t.fail)
			}
			return "", fmt.Errorf("cannot read the answer: %w", io.ErrUnexpectedEOF)
		}
	case <-t.ctx.Done():
	}
	return "", fmt.Errorf("stopped: %w", context.Cause(t.ctx))
}
