package alert

import (
	"context"
	"errors"
	"time"
)

// Lookup gives a fact by its name, and whether it is known. The fact of one source or peer
// is asked for as name/instance, such as source_up/charger.
type Lookup func(name string) (x float64, known bool)

// Phase says where in the life of an alarm a notice belongs.
type Phase string

// The phases.
const (
	Raised  Phase = "raised"
	Changed Phase = "changed"
	Cleared Phase = "cleared"
)

// Severity says how much a notice wants of its reader.
type Severity string

// The severities, from the least.
const (
	Info     Severity = "info"
	Warning  Severity = "warning"
	Critical Severity = "critical"
)

// Notice is one message to the owner. ID is the same from the raise of an alarm to its
// clear, so that a receiver can drop repeats.
type Notice struct {
	ID       string             `json:"id"`
	Site     string             `json:"site"`
	Rule     string             `json:"rule"`
	Phase    Phase              `json:"phase"`
	Severity Severity           `json:"severity"`
	At       time.Time          `json:"at"`
	Since    time.Time          `json:"since"`
	Title    string             `json:"title"`
	Text     string             `json:"text"`
	Advice   []string           `json:"advice"`
	Foot     string             `json:"foot,omitempty"` // small print: how old it is, and how to mute it
	Facts    map[string]float64 `json:"facts"`
}

// Channel carries notices to somebody. Send is safe to repeat: the notice's id is stable.
type Channel interface {
	Send(ctx context.Context, n Notice) error
}

// Decoder hands a channel its own section of the configuration; see collector.Decoder.
type Decoder interface {
	Decode(v any) error
}

// Kind is a channel that a configuration may name.
type Kind struct {
	Name    string
	Summary string
	Sample  string // a working section, YAML
	New     func(Decoder) (Channel, error)
}

// Open makes the New of a [Kind] from the function that makes a channel of its section.
func Open[C any, T Channel](channel func(C) T) func(Decoder) (Channel, error) {
	return func(d Decoder) (Channel, error) {
		var c C
		if err := d.Decode(&c); err != nil {
			return nil, err
		}
		return channel(c), nil
	}
}

// Readier is a channel that can tell, without sending anything, what a delivery would fail
// at now, such as a file with a secret that is not there.
type Readier interface {
	Ready() error
}

type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

// Refused marks an error by which a receiver, or what writes for it, turned a notice down: it
// was heard and not taken, and somebody has to mend something. It is tried again all the
// same, for days, since what is refused is often a proxy that restarts or a key that is
// being changed; but it holds up nothing else, and it is told by other ways.
func Refused(err error) error {
	if err == nil {
		return nil
	}
	return refusal{err}
}

// IsRefused tells whether an error is one of [Refused].
func IsRefused(err error) bool {
	var r refusal
	return errors.As(err, &r)
}

// Resender is a channel whose receiver forgets what it was told: it wants to hear from time
// to time what is still active, the notices of [Engine.Standing].
type Resender interface {
	Channel
	Resend(ctx context.Context, active []Notice) error
	Every() time.Duration
}
