package setup

import (
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Answers are what is known so far, by the flag of each question.
type Answers map[string]string

// Question is one thing to ask. A row of the table is at once a flag, a prompt and a check.
type Question struct {
	Flag    string
	Ask     string                   // what the person reads
	Means   string                   // what the word means and where it stands; told with the question
	Default func(Answers) string     // nil: there is none
	Check   func(text string) error  // says what is wrong with an answer and what is wanted
	When    func(Answers) bool       // nil: always
	Heard   func(text string) string // says back what an answer that will do was taken for; nil: it is plain
}

func fixed(text string) func(Answers) string { return func(Answers) string { return text } }

func is(flag string, values ...string) func(Answers) bool {
	return func(a Answers) bool {
		for _, v := range values {
			if a[flag] == v {
				return true
			}
		}
		return false
	}
}

// Questions are all that is asked, in this order. The ranges are those within which a label is
// likely: outside of them a mistake is likelier than an odd site.
func Questions() []Question {
	return []Question{
		{Flag: "name", Ask: "What is this site called?", Means: "A short name such as slipway; it stands in every message.", Check: checkName},
		{Flag: "place", Ask: "Where is it?", Means: "Latitude and longitude such as 52.75, 6.57, or a link from a map that shows them. The sun is reckoned from it.", Check: checkPlace, Heard: placeInWords},
		{Flag: "timezone", Ask: "In which time zone?", Means: "As in Europe/Amsterdam. Messages name times of this zone.", Default: fixed(localZone()), Check: checkZone},
		{Flag: "capacity-ah", Ask: "How much does the battery hold, in Ah?", Means: "The number before Ah on its label; of several side by side, their sum.", Check: between(1, 5000)},
		{Flag: "cells", Ask: "How many cells are in a row?", Means: "4 for a LiFePO4 battery of 12.8 V, 8 for 25.6 V, 16 for 51.2 V.", Default: fixed("4"), Check: whole(1, 32)},
		{Flag: "watts-peak", Ask: "How many watts have the panels together?", Means: "The number before W or Wp on the label of each, added up.", Check: between(5, 50000)},
		{Flag: "tilt", Ask: "How steep do they stand, in degrees?", Means: "0 lies flat, 90 stands upright.", Check: between(0, 90)},
		{Flag: "azimuth", Ask: "Which way do they face, in degrees?", Means: "0 north, 90 east, 180 south, 270 west.", Default: south, Check: between(0, 360)},
		{Flag: "charger", Ask: "Which kind of controller is it, mppt or pwm?", Means: "It stands on its label; mppt takes more of a panel of a higher voltage.", Default: fixed("mppt"), Check: oneOf("mppt", "pwm")},
		{Flag: "port", Ask: "On which serial port is the controller?", Means: "Best by its name under /dev/serial/by-id, which stays. Or tcp:HOST:PORT for Modbus over TCP.", Check: checkPort},
		{Flag: "baud", Ask: "How fast does it talk, in baud?", Means: "It stands in its manual; 9600 is the usual.", Default: fixed("9600"), Check: whole(300, 921600),
			When: serial},
		{Flag: "parity", Ask: "With which parity: none, even or odd?", Means: "It stands beside the speed in the manual, often as 8N1 (none) or 8E1 (even).", Default: fixed("none"), Check: oneOf("none", "even", "odd"), When: serial},
		{Flag: "unit", Ask: "Which Modbus address has it?", Means: "Also called unit or slave; 1 is the usual.", Default: fixed("1"), Check: whole(1, 247)},
		{Flag: "map", Ask: "Where is its register map?", Means: "A file of registers; sunspec for a device that describes itself; survey to look for it now.", Check: notEmpty},
		{Flag: "ping", Ask: "Which hops are on the path home?", Means: "Names and addresses such as gate=10.20.0.2, boathouse=10.20.0.1; none for none.", Default: fixed("none"), Check: checkHops},
		{Flag: "notify", Ask: "How are you to be told: webhook, mail or none?", Means: "A webhook is an address that takes messages over HTTP.", Default: fixed("none"), Check: oneOf("webhook", "mail", "none")},
		{Flag: "webhook-url", Ask: "What is the address of the webhook?", Means: "It is kept in a file of its own that only root reads.", Check: checkURL, When: is("notify", "webhook")},
		{Flag: "mail-host", Ask: "Which server takes the mail?", Means: "Its name, or name:port.", Check: notEmpty, When: is("notify", "mail")},
		{Flag: "mail-security", Ask: "How is the way to it secured: starttls, tls or none?", Means: "none is for a server on this machine only.", Default: fixed("starttls"), Check: oneOf("starttls", "tls", "none"), When: is("notify", "mail")},
		{Flag: "mail-from", Ask: "Which address sends?", Check: checkMail, When: is("notify", "mail")},
		{Flag: "mail-to", Ask: "Which address gets it?", Check: checkMail, When: is("notify", "mail")},
		{Flag: "mail-user", Ask: "With which user name?", Means: "none where the server wants none.", Default: fixed("none"), Check: notEmpty, When: is("notify", "mail")},
		{Flag: "mail-password-file", Ask: "In which file is the password?", Means: "The file holds nothing else.", Check: notEmpty,
			When: func(a Answers) bool { return a["notify"] == "mail" && a["mail-user"] != "none" }},
	}
}

func serial(a Answers) bool { return !strings.HasPrefix(a["port"], "tcp:") }

// south is where panels usually face: to the sun's side of the equator.
func south(a Answers) string {
	if lat, _, err := Place(a["place"]); err == nil && lat < 0 {
		return "0"
	}
	return "180"
}

func localZone() string {
	if name := time.Local.String(); name != "Local" {
		return name
	}
	return "UTC"
}

func notEmpty(text string) error {
	if text == "" {
		return fmt.Errorf("it is empty")
	}
	return nil
}

func checkName(text string) error {
	if text == "" || len(text) > 32 || strings.Trim(text, "abcdefghijklmnopqrstuvwxyz0123456789_-") != "" {
		return fmt.Errorf("%q is to be up to 32 of a-z, 0-9, - and _", text)
	}
	return nil
}

// between and whole check a number; a comma stands for the decimal point too.
func between(low, high float64) func(string) error {
	return func(text string) error {
		x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil || !(x >= low && x <= high) {
			return fmt.Errorf("%q is to be a number from %g to %g", text, low, high)
		}
		return nil
	}
}

func whole(low, high int) func(string) error {
	return func(text string) error {
		n, err := strconv.Atoi(text)
		if err != nil || n < low || n > high {
			return fmt.Errorf("%q is to be a whole number from %d to %d", text, low, high)
		}
		return nil
	}
}

func oneOf(values ...string) func(string) error {
	return func(text string) error {
		for _, v := range values {
			if text == v {
				return nil
			}
		}
		return fmt.Errorf("%q is to be one of %s", text, strings.Join(values, ", "))
	}
}

func checkZone(text string) error {
	if _, err := time.LoadLocation(text); err != nil || text == "" || text == "Local" {
		return fmt.Errorf("there is no time zone %q: give one such as Europe/Amsterdam", text)
	}
	return nil
}

func checkPort(text string) error {
	tcp, over := strings.CutPrefix(text, "tcp:")
	switch _, _, err := net.SplitHostPort(tcp); {
	case over && err != nil:
		return fmt.Errorf("%q lacks its port: give tcp:10.20.0.9:502", text)
	case !over && !strings.HasPrefix(text, "/dev/"):
		return fmt.Errorf("%q is neither a port such as /dev/serial/by-id/usb-0001 nor tcp:HOST:PORT", text)
	}
	return nil
}

func checkURL(text string) error {
	if u, err := url.Parse(text); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return fmt.Errorf("it is no address such as https://boathouse.example/hook")
	}
	return nil
}

func checkMail(text string) error {
	if before, after, ok := strings.Cut(text, "@"); !ok || before == "" || after == "" || strings.ContainsAny(text, " ,<>\"") {
		return fmt.Errorf("%q is no mail address", text)
	}
	return nil
}

func checkHops(text string) error {
	_, err := hops(text)
	return err
}

// hops takes names and addresses apart.
func hops(text string) (list [][2]string, err error) {
	if text == "none" {
		return nil, nil
	}
	for part := range strings.SplitSeq(text, ",") {
		name, address, ok := strings.Cut(strings.TrimSpace(part), "=")
		if !ok || checkName(name) != nil || address == "" || strings.ContainsAny(address, " /\"") {
			return nil, fmt.Errorf("%q is to be a name and an address such as gate=10.20.0.2", strings.TrimSpace(part))
		}
		list = append(list, [2]string{name, address})
	}
	return list, nil
}

func checkPlace(text string) error {
	_, _, err := Place(text)
	return err
}

func placeInWords(text string) string {
	latitude, longitude, _ := Place(text) // it was checked
	return fmt.Sprintf("latitude %g, longitude %g", latitude, longitude)
}

// Place reads coordinates, decimal degrees, latitude first, out of what was typed or pasted. Where
// the text can be read as more than one place, it refuses.
func Place(text string) (latitude, longitude float64, err error) {
	var found [][2]float64
	for _, p := range pairs(text) {
		latitude, _ = strconv.ParseFloat(p[0], 64) // the pattern is of a number
		longitude, _ = strconv.ParseFloat(p[1], 64)
		if at := [2]float64{latitude, longitude}; !slices.Contains(found, at) {
			found = append(found, at)
		}
	}
	switch {
	case len(found) == 0:
		return 0, 0, fmt.Errorf("%q holds no coordinates such as 52.75, 6.57, latitude first", text)
	case len(found) > 1:
		return 0, 0, fmt.Errorf("it may mean %g, %g or %g, %g: give latitude and longitude alone", found[0][0], found[0][1], found[1][0], found[1][1])
	case latitude < -90 || latitude > 90 || longitude < -180 || longitude > 180:
		return 0, 0, fmt.Errorf("%g, %g is no place on earth: latitude is from -90 to 90 and comes first", latitude, longitude)
	}
	return latitude, longitude, nil
}

// pairs are all decimals that stand two together, as coordinates do in whatever a map gives: typed
// in, after a sign, between slashes, or as two parameters of a link. In a geo: address (RFC 5870)
// the first two are the coordinates, whole or not.
func pairs(text string) (list [][2]string) {
	const number, gap = `-?\d{1,3}\.\d+`, `(?:,|%2C|/|;|\s)+`
	if m := regexp.MustCompile(`^geo:(-?\d{1,3}(?:\.\d+)?),(-?\d{1,3}(?:\.\d+)?)(?:[,;?].*)?$`).FindStringSubmatch(text); m != nil {
		return [][2]string{{m[1], m[2]}}
	}
	for _, run := range regexp.MustCompile(number+`(?:`+gap+number+`)+`).FindAllString(text, -1) {
		each := regexp.MustCompile(gap).Split(run, -1)
		for i := range each[1:] {
			list = append(list, [2]string{each[i], each[i+1]})
		}
	}
	if m := regexp.MustCompile(`lat\w*=(` + number + `).*l(?:on|ng)\w*=(` + number + `)`).FindStringSubmatch(text); m != nil {
		list = append(list, [2]string{m[1], m[2]})
	}
	return list
}
