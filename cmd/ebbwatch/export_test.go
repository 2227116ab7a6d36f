package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// A page behind a password, on a port that nobody knows, does not keep the owner of the state
// folder from the record.
func TestHistoryOfADaemonWithAPassword(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	hash, err := bcrypt.GenerateFromPassword([]byte("regatta"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	web := filepath.Join(filepath.Dir(file), "web.yaml")
	write(t, web, "basic_auth_users:\n  cox: "+string(hash)+"\n")
	out, _ := start(t, "run", "--config", file, "--web.config.file", web)
	eventually(t, 20*time.Second, "the page asks for a password", func() bool {
		_, status := get(t, out.page()+"/metrics")
		return status == 401
	})
	eventually(t, 20*time.Second, "samples are recorded", func() bool {
		csv, _, code := said(t, "history", "export", "--config", file)
		return code == 0 && strings.Count(csv, "\n") >= 2
	})
}

// A record that cannot be read is an error that names it; whoever looks leaves it as it is.
func TestExportOfADamagedRecord(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	record := filepath.Join(filepath.Dir(file), "state", historyFile)
	if err := os.MkdirAll(filepath.Dir(record), 0o700); err != nil {
		t.Fatal(err)
	}
	content := strings.Repeat("worn", 1000)
	write(t, record, content)
	for _, args := range [][]string{{"history", "export"}, {"report"}} {
		_, stderr, code := said(t, append(args, "--config", file)...)
		if code == 0 || !strings.Contains(stderr, record) || strings.Contains(stderr, "0 rows") {
			t.Errorf("%v: code %d: %s", args, code, stderr)
		}
	}
	if b, err := os.ReadFile(record); err != nil || string(b) != content {
		t.Errorf("the record was changed: %d bytes, %v", len(b), err)
	}
}
