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
		"board:\n  listne: x\n":                    `coilward.yaml:2: unknown field "listne"`,
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
