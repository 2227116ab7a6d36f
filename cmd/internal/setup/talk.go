package setup

import (
	"fmt"
	"maps"
	"strings"
)

// Person is whoever answers.
type Person interface {
	Say(line string)
	Ask(prompt string) (string, error)
}

// Talk asks what is not given. Given answers, such as flags, are checked first and asked no more;
// kept are those of a conversation before, which are offered again. Save is called after each
// answer, so that one that is cut off can go on. With nobody to ask, what has a default takes
// it, and the rest is told all at once.
func Talk(who Person, given, kept Answers, save func(Answers) error) (Answers, error) {
	a := Answers{}
	var missing []string
	for _, q := range Questions() {
		if q.When != nil && !q.When(a) {
			continue
		}
		text, fromFlag := given[q.Flag]
		switch {
		case fromFlag:
			if err := q.Check(text); err != nil {
				return nil, fmt.Errorf("--%s: %w", q.Flag, err)
			}
		case who != nil:
			var err error
			if text, err = ask(who, q, offered(q, a, kept)); err != nil {
				return nil, err
			}
		default:
			if text = offered(q, a, kept); text == "" || q.Check(text) != nil {
				missing = append(missing, "--"+q.Flag)
				continue
			}
		}
		a[q.Flag] = text
		all := maps.Clone(kept)
		if all == nil {
			all = Answers{}
		}
		maps.Copy(all, a)
		if err := save(all); err != nil {
			return nil, err
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("nobody is there to ask: give %s", strings.Join(missing, ", "))
	}
	return a, nil
}

// offered is what an empty answer stands for: the answer of before, else the usual.
func offered(q Question, a, kept Answers) string {
	if text := kept[q.Flag]; text != "" {
		return text
	}
	if q.Default != nil {
		return q.Default(a)
	}
	return ""
}

func ask(who Person, q Question, offer string) (string, error) {
	who.Say("")
	if q.Means != "" {
		who.Say(q.Means)
	}
	prompt := q.Ask
	if offer != "" {
		prompt += " [" + offer + "]"
	}
	for {
		text, err := who.Ask(prompt)
		if err != nil {
			return "", err
		}
		if text == "" {
			text = offer
		}
		wrong := q.Check(text)
		if wrong == nil {
			if q.Heard != nil {
				who.Say("Understood: " + q.Heard(text) + ".")
			}
			return text, nil
		}
		who.Say("That will not do: " + wrong.Error() + ".")
	}
}
