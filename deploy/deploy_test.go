// Package deploy_test checks every file that is handed to somebody else's
// program.
package deploy_test

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"coilward/collector/broker"
	"coilward/collector/fleet"
	"coilward/collector/mqtt"
)

func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil { // not on the path of everybody
		path, err = exec.LookPath("/usr/sbin/" + name)
	}
	if err != nil && os.Getenv("COILWARD_REAL") == "1" {
		t.Fatalf("%s is not installed, and COILWARD_REAL=1 requires it", name)
	} else if err != nil {
		t.Skipf("%s is not installed", name)
	}
	return path
}

func TestYAMLParses(t *testing.T) {
	files, err := filepath.Glob("*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no files: %v", err)
	}
	more, _ := filepath.Glob("prometheus/*.yaml")
	for _, file := range append(files, more...) {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var v map[string]any
		if err := yaml.UnmarshalWithOptions(data, &v, yaml.Strict()); err != nil || len(v) == 0 {
			t.Errorf("%s: %v", file, err)
		}
	}
}

// The example shows what the packages take, and shows their defaults.
func TestExampleMatchesOptions(t *testing.T) {
	data, err := os.ReadFile("coilward.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var sections map[string]any
	if err := yaml.Unmarshal(data, &sections); err != nil {
		t.Fatal(err)
	}
	section := func(name string, into any) {
		t.Helper()
		text, err := yaml.Marshal(sections[name])
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.UnmarshalWithOptions(text, into, yaml.Strict()); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	var m mqtt.Options
	section("mqtt", &m)
	if err := m.Validate(); err != nil {
		t.Error(err)
	}
	var b broker.Options
	section("embedded_broker", &b)
	if err := b.Validate(); err != nil {
		t.Error(err)
	}
	d, e := mqtt.Defaults(), broker.Defaults()
	if m.KeepAlive != d.KeepAlive || m.Gather != d.Gather || m.Queue != d.Queue || m.MaxBackOff != d.MaxBackOff || m.MinBackOff != d.MinBackOff {
		t.Errorf("mqtt shows other values than the defaults: %+v", m)
	}
	if b.Listen != e.Listen || b.MaxClients != e.MaxClients || b.MaxPacket != e.MaxPacket || b.AckLimit != e.AckLimit || b.MaxRetained != e.MaxRetained {
		t.Errorf("embedded_broker shows other values than the defaults: %+v", b)
	}
}

// The fleet that is handed out is one that the daemon takes.
func TestFleetExample(t *testing.T) {
	data, err := os.ReadFile("fleet.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Parse("fleet.example.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	if f.Len() < 3 {
		t.Errorf("%d machines: it shows too little", f.Len())
	}
}

// What the containers are started with fits: each file that is mounted is
// handed out or told how to make, and a port that is scraped is listened on.
func TestCompose(t *testing.T) {
	data, err := os.ReadFile("compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var compose struct {
		Services map[string]struct {
			Volumes []string `yaml:"volumes"`
			Network string   `yaml:"network_mode"`
			Ports   []string `yaml:"ports"`
		} `yaml:"services"`
	}
	if err := yaml.Unmarshal(data, &compose); err != nil {
		t.Fatal(err)
	}
	intro, _, _ := strings.Cut(string(data), "services:")
	for name, s := range compose.Services {
		if s.Network == "host" && len(s.Ports) > 0 {
			t.Errorf("%s: a container in the host's network publishes no ports", name)
		}
		for _, v := range s.Volumes {
			file, _, _ := strings.Cut(v, ":")
			if !strings.HasPrefix(file, "./") {
				continue
			}
			if _, err := os.Stat(file); err != nil && !strings.Contains(intro, strings.TrimPrefix(file, "./")) {
				t.Errorf("%s mounts %s, which is neither here nor explained", name, file)
			}
		}
	}
	scrape, err := os.ReadFile("prometheus/scrape.yaml")
	if err != nil {
		t.Fatal(err)
	}
	settings, err := os.ReadFile("compose.coilward.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var conf struct {
		Metrics struct{ Listen string } `yaml:"metrics"`
	}
	if err := yaml.Unmarshal(settings, &conf); err != nil {
		t.Fatal(err)
	}
	_, port, err := net.SplitHostPort(conf.Metrics.Listen)
	if err != nil || !strings.Contains(string(scrape), `"coilward:`+port+`"`) {
		t.Errorf("metrics.listen is %q, and scrape.yaml asks elsewhere", conf.Metrics.Listen)
	}
}

func TestPrometheus(t *testing.T) {
	promtool := tool(t, "promtool")
	for _, args := range [][]string{
		{"check", "rules", "rules.yaml"},
		{"check", "config", "scrape.yaml"},
		{"test", "rules", "rules_test.yaml"},
	} {
		cmd := exec.Command(promtool, args...)
		cmd.Dir = "prometheus"
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

func TestUnit(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed")
	}
	data, err := os.ReadFile("coilward.service")
	if err != nil {
		t.Fatal(err)
	}
	// The program is not installed where the unit expects it: stand in for it.
	program := filepath.Join(t.TempDir(), "coilward")
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(filepath.Dir(program), "coilward.service")
	text := strings.ReplaceAll(string(data), "/usr/local/bin/coilward", program)
	if err := os.WriteFile(unit, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(analyze, "verify", "--man=no", unit).CombinedOutput()
	if err != nil || strings.Contains(string(out), "coilward.service:") {
		t.Errorf("systemd-analyze: %v\n%s", err, out)
	}
}

// The picture in the README is there, and light.
func TestPicture(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat("board.png")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(readme), "(deploy/board.png)") || info.Size() > 150_000 {
		t.Errorf("the README does not show board.png, or its %d bytes are too many", info.Size())
	}
}
