package wiretest

import (
	"bufio"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"time"
)

// Direction tells who speaks in a step.
type Direction byte

// The directions, as a recording writes them.
const (
	Said    Direction = '>'
	Heard   Direction = '<'
	Silence Direction = '.'
)

// Step is one line of a recording.
type Step struct {
	Direction Direction
	Bytes     []byte        // for Said and Heard
	For       time.Duration // for Silence
}

// String is the line.
func (s Step) String() string {
	if s.Direction == Silence {
		return ". " + s.For.String()
	}
	return fmt.Sprintf("%c % X", s.Direction, s.Bytes)
}

// Parse reads a recording. An error names the line.
func Parse(r io.Reader) ([]Step, error) {
	var steps []Step
	in := bufio.NewScanner(r)
	for n := 1; in.Scan(); n++ {
		line := strings.TrimSpace(in.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		s, err := parseStep(line)
		if err != nil {
			return steps, fmt.Errorf("cannot read line %d of the recording: %w", n, err)
		}
		steps = append(steps, s)
	}
	if err := in.Err(); err != nil {
		return steps, fmt.Errorf("cannot read the recording: %w", err)
	}
	return steps, nil
}

func parseStep(line string) (Step, error) {
	s := Step{Direction: Direction(line[0])}
	text := strings.TrimSpace(line[1:])
	var err error
	switch s.Direction {
	case Said, Heard:
		s.Bytes, err = hex.DecodeString(strings.Join(strings.Fields(text), ""))
		if err == nil && len(s.Bytes) == 0 {
			err = fmt.Errorf("no bytes")
		}
	case Silence:
		s.For, err = time.ParseDuration(text)
		if err == nil && s.For < 0 {
			err = fmt.Errorf("a silence of %s", s.For)
		}
	default:
		err = fmt.Errorf("it begins with %q instead of > or < or a point", line[0])
	}
	return s, err
}
