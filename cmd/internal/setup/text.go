package setup

import (
	"fmt"
	"net"
	"strconv"
	"strings"
)

// File is one file to write.
type File struct {
	Name   string // beside the configuration
	Text   string
	Secret bool // for its owner alone
}

// Files makes the configuration, first, and what it names. state is the folder for what must
// survive a restart.
func Files(a Answers, configName, state string) ([]File, error) {
	lat, lon, err := Place(a["place"])
	if err != nil {
		return nil, fmt.Errorf("cannot make the configuration: %w", err)
	}
	way, err := hops(a["ping"])
	if err != nil {
		return nil, fmt.Errorf("cannot make the configuration: %w", err)
	}
	num := func(flag string) string { return strings.Replace(a[flag], ",", ".", 1) }
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# Made by ebbwatch setup; every line may be changed by hand. All that can stand here, with what it")
	line("# means, is in ebbwatch.yaml(5). After a change: ebbwatch check %s", configName)
	line("site: {name: %s, latitude: %g, longitude: %g, timezone: %s}", a["name"], lat, lon, a["timezone"])
	line("# the battery by its label; reserve is the charge that you do not want to go below")
	line("battery: {capacity_ah: %s, cells: %s, reserve: 0.20}", num("capacity-ah"), a["cells"])
	line("# the panels together; tilt from flat, azimuth from north by east")
	line("array: {watts_peak: %s, tilt_deg: %s, azimuth_deg: %s, charger: %s}", num("watts-peak"), num("tilt"), num("azimuth"), a["charger"])
	line("sources:")
	line("  - {name: charger, every: 10s, modbus: {%s, unit: %s, map: %s}}", wire(a), a["unit"], strconv.Quote(a["map"]))
	if len(way) > 0 {
		var list []string
		for _, h := range way {
			list = append(list, h[0]+": "+strconv.Quote(h[1]))
		}
		line("  - {name: path, every: 30s, ping: {hosts: {%s}}}   # the path, nearest hop first", strings.Join(list, ", "))
	}
	var files []File
	switch a["notify"] {
	case "webhook":
		files = append(files, File{"hook.url", a["webhook-url"] + "\n", true})
		line("notify:\n  - {name: owner, webhook: {url_file: hook.url}}")
	case "mail":
		line("notify:\n  - {name: owner, mail: {%s}}", mail(a))
	default:
		line("notify: []   # nobody is told: warnings stand on the page alone")
	}
	line("# the page; 0.0.0.0:9777 lets other machines see it")
	line(`web: {listen: "127.0.0.1:9777"}`)
	line("state: %s", strconv.Quote(state))
	return append([]File{{Name: configName, Text: b.String()}}, files...), nil
}

func wire(a Answers) string {
	if address, over := strings.CutPrefix(a["port"], "tcp:"); over {
		return "tcp: " + strconv.Quote(address)
	}
	text := fmt.Sprintf("port: %s, baud: %s", strconv.Quote(a["port"]), a["baud"])
	if p := a["parity"]; p != "" && p != "none" {
		text += ", parity: " + p
	}
	return text
}

func mail(a Answers) string {
	host, port := a["mail-host"], ""
	if h, p, err := net.SplitHostPort(host); err == nil {
		host, port = h, ", port: "+p
	}
	text := fmt.Sprintf("host: %s%s, security: %s, from: %s, to: [%s]", strconv.Quote(host), port, a["mail-security"], strconv.Quote(a["mail-from"]), strconv.Quote(a["mail-to"]))
	if a["mail-user"] != "none" {
		text += fmt.Sprintf(", user: %s, password_file: %s", strconv.Quote(a["mail-user"]), strconv.Quote(a["mail-password-file"]))
	}
	return text
}
