// Package influxtest starts InfluxDB for tests.
package influxtest

import (
	"bytes"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"coilward/collector/porttest"
)

// Bucket is the database and policy that Start makes.
const Bucket = "coolers/raw"

// Start starts a real server, of version 1.8, with a database and policy named
// Bucket, and returns its address. The test is skipped where influxd is missing,
// unless COILWARD_REAL=1, which makes that a failure.
func Start(t *testing.T) string {
	t.Helper()
	program, err := exec.LookPath("influxd")
	if err != nil {
		if os.Getenv("COILWARD_REAL") == "1" {
			t.Fatal("influxd is not on the path")
		}
		t.Skip("influxd is not on the path; .ci/run installs it")
	}
	address := porttest.Address(t)
	dir := t.TempDir()
	config := filepath.Join(dir, "influxd.conf")
	if err := os.WriteFile(config, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd := exec.Command(program, "run", "-config", config)
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.Env = append(os.Environ(),
		"INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_BIND_ADDRESS=127.0.0.1:0",
		"INFLUXDB_META_DIR="+filepath.Join(dir, "meta"), "INFLUXDB_DATA_DIR="+filepath.Join(dir, "data"),
		"INFLUXDB_DATA_WAL_DIR="+filepath.Join(dir, "wal"),
		"INFLUXDB_HTTP_BIND_ADDRESS="+address, "INFLUXDB_HTTP_FLUX_ENABLED=true", "INFLUXDB_HTTP_LOG_ENABLED=false")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	base := "http://" + address
	for deadline := time.Now().Add(2 * time.Minute); ; { // until it listens
		answer, err := http.PostForm(base+"/query", url.Values{"q": {"CREATE DATABASE coolers WITH NAME raw"}})
		if err == nil {
			_ = answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return base
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("influxd does not answer: %v", err)
		}
		<-time.After(50 * time.Millisecond)
	}
}
