// Command bareexporter is the yardstick of the memory and start-up benchmarks: client_golang
// with its default collectors and nothing else. It prints the address that it serves.
package main

import (
	"fmt"
	"net"
	"net/http"
	"os"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

func main() {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Printf("http://%s\n", l.Addr())
	http.Handle("/metrics", promhttp.Handler())
	fmt.Fprintln(os.Stderr, http.Serve(l, nil))
}
