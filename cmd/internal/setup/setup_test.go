package setup

import (
	"errors"
	"io"
	"maps"
	"math"
	"strings"
	"testing"
)

// Coordinates as people have them: typed, or in a link of any map.
func TestPlace(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][2]float64{
		"52.75, 6.57":                                           {52.75, 6.57},
		"geo:52,6":                                              {52, 6},
		"geo:52.75,6.57,3;u=35":                                 {52.75, 6.57},
		"52.75 6.57":                                            {52.75, 6.57},
		"-33.5,151.25":                                          {-33.5, 151.25},
		"https://maps.example/at/52.75,6.57":                    {52.75, 6.57},
		"https://maps.example/15/52.75/6.57":                    {52.75, 6.57},
		"https://maps.example/?lat=52.75&lon=6.57#x":            {52.75, 6.57},
		"https://maps.example/?lng=1&q=52.75%2C6.57":            {52.75, 6.57},
		"https://maps.example/?latitude=-33.5&longitude=151.25": {-33.5, 151.25},
	} {
		lat, lon, err := Place(text)
		if err != nil || math.Abs(lat-want[0]) > 1e-9 || math.Abs(lon-want[1]) > 1e-9 {
			t.Errorf("%s: %v, %v, %v", text, lat, lon, err)
		}
	}
	for _, text := range []string{"", "at the slipway", "52.75", "151.25, -33.5", "https://maps.example/short",
		"https://maps.example/12.5/52.75/6.57", "https://maps.example/52.75,6.57?to=53.25,6.5", "52,75"} {
		if lat, lon, err := Place(text); err == nil {
			t.Errorf("%q is taken for %v, %v", text, lat, lon)
		}
	}
}

// script answers in order, and then is gone.
type script struct {
	answers []string
	said    strings.Builder
}

func (s *script) Say(line string) { s.said.WriteString(line + "\n") }
func (s *script) Ask(prompt string) (string, error) {
	s.said.WriteString(prompt + "\n")
	if len(s.answers) == 0 {
		return "", io.ErrUnexpectedEOF
	}
	first := s.answers[0]
	s.answers = s.answers[1:]
	return first, nil
}

// good answers every question, in order; an empty one takes the offer.
func good() []string {
	return []string{"slipway", "52.75, 6.57", "Europe/Amsterdam", "80", "", "240", "60", "", "", "tcp:127.0.0.1:1502", "1", "sunspec", "gate=10.20.0.2", "webhook", "http://boathouse.example/hook"}
}

// Each question once answered wrongly: what is wrong and what is wanted is said, and it is asked again.
func TestWrongAnswersAreAskedAgain(t *testing.T) {
	t.Parallel()
	wrong := []string{"Slip Way!", "somewhere", "Amsterdam", "lots", "0", "-5", "upright", "south", "solar", "COM3", "300", "", "10.20.0.2", "pigeon", "boathouse"}
	var both []string
	for i, right := range good() {
		if wrong[i] != "" {
			both = append(both, wrong[i])
		}
		both = append(both, right)
	}
	who := &script{answers: both}
	a, err := Talk(who, nil, nil, func(Answers) error { return nil })
	if err != nil {
		t.Fatalf("%v\n%s", err, who.said.String())
	}
	if n := strings.Count(who.said.String(), "That will not do: "); n != len(wrong)-1 {
		t.Errorf("%d answers were refused, want %d:\n%s", n, len(wrong)-1, who.said.String())
	}
	if a["azimuth"] != "180" || a["cells"] != "4" || a["charger"] != "mppt" || a["baud"] != "" {
		t.Errorf("%v", a)
	}
}

// Cut off after each question in turn, it goes on where it was: what was answered is offered.
func TestItGoesOnWhereItWas(t *testing.T) {
	t.Parallel()
	whole, err := Talk(&script{answers: good()}, nil, nil, func(Answers) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	for cut := range good() {
		var kept Answers
		_, err := Talk(&script{answers: good()[:cut]}, nil, nil, func(a Answers) error { kept = maps.Clone(a); return nil })
		if !errors.Is(err, io.ErrUnexpectedEOF) || len(kept) != cut {
			t.Fatalf("cut off after %d: %v, %d kept", cut, err, len(kept))
		}
		rest := append(make([]string, cut), good()[cut:]...) // empty for what was answered
		if again, err := Talk(&script{answers: rest}, nil, kept, func(Answers) error { return nil }); err != nil || !maps.Equal(again, whole) {
			t.Errorf("after %d: %v, %v", cut, again, err)
		}
	}
}

// With nobody to ask, flags and what is usual do; what lacks is told all at once.
func TestNobodyToAsk(t *testing.T) {
	t.Parallel()
	_, err := Talk(nil, Answers{"name": "slipway", "watts-peak": "240"}, nil, func(Answers) error { return nil })
	if err == nil || !strings.Contains(err.Error(), "give --place, --capacity-ah, --tilt, --port, --map") {
		t.Errorf("%v", err)
	}
	if _, err := Talk(nil, Answers{"cells": "many"}, nil, func(Answers) error { return nil }); err == nil || !strings.Contains(err.Error(), `"many" is to be a whole number`) {
		t.Errorf("%v", err)
	}
}

// In the south panels face north.
func TestPanelsFaceTheSun(t *testing.T) {
	t.Parallel()
	if got := south(Answers{"place": "-33.5, 151.25"}); got != "0" {
		t.Errorf("azimuth %s", got)
	}
}

// The answer to the webhook is a secret and stands in a file of its own.
func TestSecretsStandApart(t *testing.T) {
	t.Parallel()
	a, err := Talk(&script{answers: good()}, nil, nil, func(Answers) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	files, err := Files(a, "ebbwatch.yaml", "/var/lib/ebbwatch")
	if err != nil || len(files) != 2 || strings.Contains(files[0].Text, "boathouse.example") || !files[1].Secret || files[1].Text != "http://boathouse.example/hook\n" {
		t.Errorf("%+v, %v", files, err)
	}
	if lines := strings.Count(files[0].Text, "\n"); lines > 25 {
		t.Errorf("%d lines", lines)
	}
}

// A serial line by all its settings.
func TestASerialLine(t *testing.T) {
	t.Parallel()
	a, err := Talk(nil, Answers{"name": "slipway", "place": "52.75, 6.57", "capacity-ah": "80,5", "watts-peak": "240", "tilt": "60", "port": "/dev/serial/by-id/usb-0001",
		"baud": "19200", "parity": "even", "unit": "5", "map": "/etc/ebbwatch/map.yaml"}, nil, func(Answers) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	files, err := Files(a, "ebbwatch.yaml", "/var/lib/ebbwatch")
	if want := `modbus: {port: "/dev/serial/by-id/usb-0001", baud: 19200, parity: even, unit: 5, map: "/etc/ebbwatch/map.yaml"}`; err != nil || len(files) != 1 || !strings.Contains(files[0].Text, want) || !strings.Contains(files[0].Text, "capacity_ah: 80.5,") {
		t.Errorf("%v: %+v", err, files)
	}
}
