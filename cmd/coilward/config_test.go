package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The example that is handed out is read, and shows the defaults.
func TestExampleConfig(t *testing.T) {
	name := filepath.Join("..", "..", "deploy", "coilward.example.yaml")
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := parseConfig(name, data)
	if err != nil {
		t.Fatal(err)
	}
	d := defaults()
	if c.Board.Listen != d.Board.Listen || c.History != d.History || c.Log != d.Log || c.Broker.MaxClients != d.Broker.MaxClients {
		t.Errorf("the example shows other values than the defaults: %+v", c)
	}
	if !c.hasBroker || c.MQTT.Broker == "" {
		t.Error("the example uses both brokers")
	}
}

func TestConfig(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "coilward.yaml")
	c, err := parseConfig(name, []byte("board: {listen: 127.0.0.1:9000}\nembedded_broker: {max_clients: 7}\n"))
	if err != nil {
		t.Fatal(err)
	}
	// A section that says one thing keeps the defaults of the rest.
	if d := defaults(); c.Broker.MaxClients != 7 || c.Broker.Root != d.Broker.Root || c.Broker.AckLimit != d.Broker.AckLimit {
		t.Errorf("defaults are lost: %+v", c.Broker)
	}
	if c.FleetFile != filepath.Join(dir, "fleet.yaml") {
		t.Errorf("fleet file %s is not beside the configuration", c.FleetFile)
	}
	for text, want := range map[string]string{
		"board:\n  listne: x\n":                    `coilward.yaml:2: board: unknown key "listne"; the keys here are listen, base_url`,
		"board: [\n":                               "coilward.yaml:",
		"mqtt: {client_id: x}\n":                   "mqtt needs broker",
		"board: {listen: 0.0.0.0:8080}\n":          "board has no accounts yet",
		"metrics: {listen: everywhere}\n":          "metrics: listen",
		"history: {retain_days: -1}\n":             "retain_days -1",
		"log: {format: xml}\n":                     `format "xml"`,
		"board: {base_url: coilward}\n":            `base_url "coilward"`,
		"embedded_broker: {listen: 0.0.0.0:1883}":  "credentials_file",
		"influx: {url: 'http://127.0.0.1:8086'}\n": "bucket is missing",
	} {
		if _, err := parseConfig(name, []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// Everything that is wrong is told at once, with the line it stands on, and the rest
// is read all the same.
func TestEveryProblemOfAConfig(t *testing.T) {
	c, err := parseConfig("c.yaml", []byte(`data_dir: here
board:
  listen: 0.0.0.0:8080
  colour: red
mqtt:
  broker: tpc://broker.example:1883
  keep_alive: 30
  queue: many
route:
  max_overtime: soon
  techs:
    - {id: mara, start: {latitude: 40.4, longitude: -80}, time_zone: America/New_York, shift: {mon-fri: "06:00-14:30"}}
    - id: ines
      start: {latitude: 40.4, longitude: -80}
      time_zone: America/New_York
      shift: {sat: "25:00-26:00"}
travel:
log: loud
history: {retain_days: -4}
`))
	if err == nil || c == nil || c.DataDir != "here" {
		t.Fatalf("%+v, %v", c, err)
	}
	want := []string{
		`c.yaml:3: board: listen: `,
		`c.yaml:4: board: unknown key "colour"; the keys here are listen, base_url`,
		`c.yaml:6: mqtt: broker "tpc://broker.example:1883": unknown scheme "tpc"`,
		`c.yaml:7: mqtt: keep_alive: "30" is no time with its unit; write 30s, 5m or 1h30m`,
		`c.yaml:8: mqtt: queue: "many" is no whole number`,
		`c.yaml:10: route: max_overtime: "soon" is no time with its unit`,
		`c.yaml:16: route: tech "ines": shift: "25:00-26:00"`,
		`c.yaml:18: log: want keys and values here, not "loud"`,
		`c.yaml:19: history: retain_days -4 must not be negative`,
	}
	got := strings.Split(err.Error(), "\n")
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || !strings.HasPrefix(got[i], want[i]) {
			t.Fatalf("line %d\n%s\nwant\n%s", i, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	}
	// Aliases, and sections of comments alone, are read as YAML means them.
	c, err = parseConfig("c.yaml", []byte("metrics:\n  listen: &here 127.0.0.1:9417\nboard:\n  listen: *here\nembedded_broker:\n  # listen: x\nhistory: &h\n  retain_days: 3\n"))
	if c == nil || c.Board.Listen != "127.0.0.1:9417" || c.History.RetainDays != 3 || c.History.SummaryDays != 3*365 || !c.hasBroker || err != nil {
		t.Errorf("%+v, %v", c, err)
	}
}
