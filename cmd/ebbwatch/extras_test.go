package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The daemon says what it costs, on the page and as metrics.
func TestOwnCostIsShown(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "it runs", func() bool { return out.page() != "" })
	for _, name := range []string{"ebbwatch_own_cpu_seconds_total ", "ebbwatch_own_resident_bytes ", "ebbwatch_own_wakeups_total ", "ebbwatch_own_written_bytes_total ", "ebbwatch_polls_thinned "} {
		eventually(t, 10*time.Second, name+"is exported", func() bool {
			body, _ := get(t, out.page()+"/metrics")
			return strings.Contains(body, "\n"+name)
		})
	}
	if page, _ := get(t, out.page()+"/"); !strings.Contains(page, "MB of 40 MB") {
		t.Error("the page does not show the memory beside its budget")
	}
}

func TestDiskFree(t *testing.T) {
	t.Parallel()
	if free, ok := diskFree(t.TempDir()); !ok || free < 0 || free > 1 {
		t.Errorf("%v, %v", free, ok)
	}
	if _, ok := diskFree(filepath.Join(t.TempDir(), "nowhere")); ok {
		t.Error("a folder that is not there has a disk")
	}
}
