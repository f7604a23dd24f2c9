package deploy_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// instruction is a line of the Dockerfile, continued lines joined.
type instruction struct{ name, rest string }

func dockerfile(t *testing.T) (all []instruction) {
	t.Helper()
	data, err := os.ReadFile("Dockerfile")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(data), "\\\n", " ")
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		name, rest, _ := strings.Cut(line, " ")
		all = append(all, instruction{name, strings.TrimSpace(rest)})
	}
	return all
}

// The image is built of what is there, with the Go that the module asks for, and
// holds what its last stage starts.
func TestDockerfile(t *testing.T) {
	mod, err := os.ReadFile(filepath.Join("..", "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	goes := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindStringSubmatch(string(mod))
	known := []string{"FROM", "WORKDIR", "COPY", "RUN", "USER", "VOLUME", "EXPOSE", "ENTRYPOINT", "CMD"}
	stages := map[string]bool{}
	last := map[string]string{} // instructions of the last stage
	var copied []string         // into it
	for i, in := range dockerfile(t) {
		if !slices.Contains(known, in.name) || i == 0 && in.name != "FROM" {
			t.Errorf("instruction %s %s", in.name, in.rest)
		}
		switch in.name {
		case "FROM":
			image, stage, _ := strings.Cut(in.rest, " AS ")
			if version, ok := strings.CutPrefix(image, "golang:"); ok && !strings.HasPrefix(version, goes[1]+"-") {
				t.Errorf("built with %s, go.mod asks for %s", image, goes[1])
			}
			if image != "scratch" && !strings.Contains(image, ":") {
				t.Errorf("%s has no version", image)
			}
			stages[stage] = true
			clear(last)
			copied = nil
		case "COPY":
			fields := strings.Fields(in.rest)
			from := ""
			for strings.HasPrefix(fields[0], "--") {
				if stage, ok := strings.CutPrefix(fields[0], "--from="); ok {
					if from = stage; !stages[stage] {
						t.Errorf("COPY from %s, which is no stage before", stage)
					}
				}
				fields = fields[1:]
			}
			for _, source := range fields[:len(fields)-1] {
				if _, err := os.Stat(filepath.Join("..", source)); from == "" && err != nil {
					t.Errorf("COPY of what is not there: %v", err)
				}
			}
			copied = append(copied, fields[len(fields)-1])
		default:
			last[in.name] += in.rest
		}
	}
	program := strings.Trim(last["ENTRYPOINT"], `[]"`)
	if !slices.Contains(copied, program) {
		t.Errorf("%s is started and not in the image: %v", program, copied)
	}
	if last["CMD"] != `["run", "--config", "/etc/coilward/coilward.yaml"]` {
		t.Errorf("CMD %s", last["CMD"])
	}
	if !regexp.MustCompile(`^[1-9]\d*:[1-9]\d*$`).MatchString(last["USER"]) {
		t.Errorf("USER %s is not a number of nobody's", last["USER"])
	}
	var settings struct {
		DataDir string `yaml:"data_dir"`
	}
	read(t, "compose.coilward.yaml", &settings)
	if last["VOLUME"] != settings.DataDir || !slices.Contains(copied, settings.DataDir) {
		t.Errorf("VOLUME %s, data_dir %s, copied %v: they must be one", last["VOLUME"], settings.DataDir, copied)
	}
}

func read(t *testing.T, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// The compose file uses the keys of the Compose Specification
// (compose-spec/05-services.md), from memory those below, and what it says in one
// place fits what it says in the other.
func TestComposeFits(t *testing.T) {
	keys := map[string]string{
		"":        "services volumes",
		"service": "build restart depends_on read_only cap_drop security_opt network_mode volumes image ports environment command extra_hosts",
		"build":   "context dockerfile",
	}
	var compose struct {
		Services map[string]struct {
			Image     string            `yaml:"image"`
			Build     map[string]string `yaml:"build"`
			DependsOn []string          `yaml:"depends_on"`
			Volumes   []string          `yaml:"volumes"`
			Ports     []string          `yaml:"ports"`
			Env       map[string]string `yaml:"environment"`
		} `yaml:"services"`
		Volumes map[string]any `yaml:"volumes"`
	}
	read(t, "compose.yaml", &compose)
	var raw map[string]map[string]any
	read(t, "compose.yaml", &raw)
	expect := func(where, key string) {
		if !slices.Contains(strings.Fields(keys[where]), key) {
			t.Errorf("%q is no key of a %q", key, where)
		}
	}
	for key := range raw {
		expect("", key)
	}
	published := map[string]string{} // inner port: outer
	used := map[string]bool{}
	for name, s := range compose.Services {
		for key := range raw["services"][name].(map[string]any) {
			expect("service", key)
		}
		for key := range s.Build {
			expect("build", key)
		}
		if (s.Image == "") == (s.Build == nil) || s.Image != "" && !regexp.MustCompile(`:v?\d`).MatchString(s.Image) {
			t.Errorf("%s: image %q, and build %v: one of them, with a version", name, s.Image, s.Build)
		}
		if s.Build != nil {
			if _, err := os.Stat(filepath.Join(s.Build["context"], s.Build["dockerfile"])); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		for _, d := range s.DependsOn {
			if _, ok := compose.Services[d]; !ok {
				t.Errorf("%s depends on %s, which is no service", name, d)
			}
		}
		for _, v := range s.Volumes {
			source, rest, ok := strings.Cut(v, ":")
			if target, _, _ := strings.Cut(rest, ":"); !ok || !strings.HasPrefix(target, "/") {
				t.Errorf("%s: volume %q", name, v)
			}
			if strings.HasPrefix(source, "./") {
				continue
			}
			used[source] = true
			if _, ok := compose.Volumes[source]; !ok {
				t.Errorf("%s: volume %s is not declared", name, source)
			}
		}
		for _, p := range s.Ports {
			parts := strings.Split(p, ":")
			published[parts[len(parts)-1]] = parts[len(parts)-2]
		}
	}
	for v := range compose.Volumes {
		if !used[v] {
			t.Errorf("volume %s is declared and not used", v)
		}
	}
	// coilward is in the host's network: it reaches the others where they are
	// published.
	var settings struct {
		MQTT   struct{ Broker string }
		Influx struct{ URL, Bucket string }
	}
	read(t, "compose.coilward.yaml", &settings)
	if settings.MQTT.Broker != "tcp://127.0.0.1:"+published["1883"] {
		t.Errorf("broker %s, published at %s", settings.MQTT.Broker, published["1883"])
	}
	if settings.Influx.URL != "http://127.0.0.1:"+published["8086"] {
		t.Errorf("influx %s, published at %s", settings.Influx.URL, published["8086"])
	}
	if env := compose.Services["influxdb"].Env; env["INFLUXDB_DB"]+"/autogen" != settings.Influx.Bucket || env["INFLUXDB_HTTP_FLUX_ENABLED"] != "true" {
		t.Errorf("bucket %s of %v", settings.Influx.Bucket, env)
	}
}
