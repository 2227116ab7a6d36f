package web

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
)

// Hosts are the names under which a page may be asked for, beside addresses: localhost, that of the
// machine, and those that the owner gives. A page of somebody else's that has its own name point
// here, as in DNS rebinding, could read everything through a visitor's browser; an address in the
// place of a name cannot be such a page.
func Hosts(given []string) []string {
	names := append([]string{"localhost"}, given...)
	if own, err := os.Hostname(); err == nil && own != "" {
		names = append(names, own, own+".local") // as it is found by multicast DNS
	}
	return names
}

// onlyHosts refuses requests for other names; no names: all are taken.
func onlyHosts(names []string, next http.Handler) http.Handler {
	if len(names) == 0 {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := r.Host
		if host, _, err := net.SplitHostPort(name); err == nil {
			name = host
		}
		name = strings.Trim(name, "[].")
		same := func(x string) bool { return strings.EqualFold(x, name) }
		if name != "" && net.ParseIP(name) == nil && !slices.ContainsFunc(names, same) {
			http.Error(w, fmt.Sprintf("this page is not known as %q: use its address, or add the name to web.names of its configuration", name), http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}
