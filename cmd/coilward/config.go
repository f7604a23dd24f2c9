package main

import (
	"cmp"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/rs/zerolog"

	"coilward/alerts/board"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/alerts/route/roads"
	"coilward/collector/broker"
	"coilward/collector/history"
	"coilward/collector/mqtt"
)

// config is the settings of the daemon: the options of the packages, and where
// things are. Relative names of files are relative to the configuration file.
type config struct {
	FleetFile string         `yaml:"fleet_file"`
	DataDir   string         `yaml:"data_dir"`
	Board     boardConfig    `yaml:"board"`
	MQTT      mqtt.Options   `yaml:"mqtt"`            // Broker "": not used
	Broker    broker.Options `yaml:"embedded_broker"` // used when hasBroker
	History   historyConfig  `yaml:"history"`
	Metrics   metricsConfig  `yaml:"metrics"`
	Influx    influxConfig   `yaml:"influx"`
	Notify    notifyConfig   `yaml:"notify"`
	Route     route.Roster   `yaml:"route"`  // no techs: no routes are planned
	Travel    roads.Settings `yaml:"travel"` // no url: travel is estimated
	Log       logConfig      `yaml:"log"`

	hasBroker bool
	gather    time.Duration // how long a message waits to be stored with others; the intake's own if 0
}

type boardConfig struct {
	Listen  string `yaml:"listen"`
	BaseURL string `yaml:"base_url"` // as people open it, for links in messages
}

// metricsConfig is an address of their own for /metrics, /livez and /readyz,
// which the board has too; none if Listen is "".
type metricsConfig struct {
	Listen string `yaml:"listen"`
}

type historyConfig struct {
	RetainDays  int `yaml:"retain_days"`
	SummaryDays int `yaml:"summary_days"`
}

// historyOptions are those of the history of the data folder.
func (c *config) historyOptions(log zerolog.Logger) history.Options {
	return history.Options{Dir: filepath.Join(c.DataDir, historyDir), RetainDays: c.History.RetainDays, SummaryDays: c.History.SummaryDays, Log: log}
}

type influxConfig struct {
	URL       string `yaml:"url"`
	Org       string `yaml:"org"`
	Bucket    string `yaml:"bucket"`
	TokenFile string `yaml:"token_file"`
}

// notifyConfig is how people are reached. PeopleFile says who is on call; without
// it, smtp.to, webhook.url and mqtt_topic are told everything.
type notifyConfig struct {
	PeopleFile string            `yaml:"people_file"`
	SMTP       smtpConfig        `yaml:"smtp"`
	Webhook    webhookConfig     `yaml:"webhook"`
	ChatFiles  map[string]string `yaml:"chat_files"` // service: file with its URL, which holds secrets
	MQTTTopic  string            `yaml:"mqtt_topic"`
	TextsDir   string            `yaml:"texts_dir"` // message texts that come before those of the program

	// Of whoever is told without a people_file.
	Language   string `yaml:"language"`
	TimeZone   string `yaml:"time_zone"`
	Fahrenheit bool   `yaml:"fahrenheit"`
}

type smtpConfig struct {
	Host         string   `yaml:"host"`
	Port         int      `yaml:"port"`
	Security     string   `yaml:"security"` // starttls | tls | none
	User         string   `yaml:"user"`
	PasswordFile string   `yaml:"password_file"`
	From         string   `yaml:"from"`
	To           []string `yaml:"to"`
}

type webhookConfig struct {
	URL        string `yaml:"url"`
	SecretFile string `yaml:"secret_file"`
}

type logConfig struct {
	Level  string `yaml:"level"`
	Format string `yaml:"format"` // json | console
}

// defaults is the configuration of a file that says nothing.
func defaults() config {
	return config{
		FleetFile: "fleet.yaml", DataDir: "coilward-data",
		Board: boardConfig{Listen: "127.0.0.1:8080"},
		MQTT:  mqtt.Defaults(), Broker: broker.Defaults(),
		History: historyConfig{RetainDays: 90, SummaryDays: 3 * 365},
		Log:     logConfig{Level: "info", Format: "json"},
	}
}

// readConfig reads a configuration file. The error tells every problem, with
// file and line where the line is known.
func readConfig(name string) (*config, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("the configuration cannot be read: %w", err)
	}
	return parseConfig(name, data)
}

// parseConfig returns the configuration with its problems where at least its form is
// YAML, for whoever looks for more of them.
func parseConfig(name string, data []byte) (*config, error) {
	c := defaults()
	text, err := readText(data, &c)
	if err != nil {
		return nil, yamlProblem(name, err)
	}
	c.hasBroker = text.has("embedded_broker") || !text.has("mqtt")
	var missing error
	if text.has("mqtt") && c.MQTT.Broker == "" {
		missing = errors.New("mqtt needs broker, such as tls://broker.example:8883; or leave the section out to use the embedded broker alone")
	}
	c.resolve(filepath.Dir(name))
	return &c, text.told(name, errors.Join(missing, c.Validate()))
}

// yamlProblem puts the place before what the parser says.
func yamlProblem(name string, err error) error {
	var e yaml.Error
	if errors.As(err, &e) && e.GetToken() != nil {
		return fmt.Errorf("%s:%d: %s", name, e.GetToken().Position.Line, e.GetMessage())
	}
	return fmt.Errorf("%s: %w", name, err)
}

// named puts the file before each of joined errors.
func named(name string, err error) error {
	var out []error
	for _, e := range apart(err) {
		out = append(out, fmt.Errorf("%s: %w", name, e))
	}
	return errors.Join(out...)
}

// apart takes joined errors apart.
func apart(err error) []error {
	if err == nil {
		return nil
	}
	j, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []error{err}
	}
	var out []error
	for _, e := range j.Unwrap() {
		out = append(out, apart(e)...)
	}
	return out
}

// resolve makes names of files relative to the folder.
func (c *config) resolve(folder string) {
	for _, p := range []*string{
		&c.FleetFile, &c.DataDir, &c.MQTT.PasswordFile, &c.MQTT.TLS.CAFile, &c.MQTT.TLS.CertFile, &c.MQTT.TLS.KeyFile,
		&c.Broker.CredentialsFile, &c.Broker.TLS.CertFile, &c.Broker.TLS.KeyFile, &c.Broker.TLS.ClientCAFile,
		&c.Influx.TokenFile, &c.Notify.PeopleFile, &c.Notify.TextsDir, &c.Notify.SMTP.PasswordFile, &c.Notify.Webhook.SecretFile, &c.Route.PartsFile, &c.Travel.TokenFile,
	} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(folder, *p)
		}
	}
	for service, p := range c.Notify.ChatFiles {
		if !filepath.IsAbs(p) {
			c.Notify.ChatFiles[service] = filepath.Join(folder, p)
		}
	}
}

// Validate reports everything that is wrong, and what to do about each.
func (c *config) Validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if c.MQTT.Broker != "" {
		errs = append(errs, c.MQTT.Validate())
	}
	if c.hasBroker {
		errs = append(errs, c.Broker.Validate())
	}
	if c.FleetFile == "" || c.DataDir == "" {
		bad("fleet_file and data_dir must be set")
	}
	if c.Metrics.Listen != "" {
		if _, port, err := net.SplitHostPort(c.Metrics.Listen); err != nil || port == "" {
			bad("metrics: listen %q must be an address with a port, such as 0.0.0.0:9417", c.Metrics.Listen)
		}
	}
	if err := board.CheckListen(c.Board.Listen); err != nil {
		bad("board: listen: %w", err)
	}
	if c.Board.BaseURL != "" {
		if u, err := url.Parse(c.Board.BaseURL); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			bad("board: base_url %q must be an address as people open it, such as https://coilward.example", c.Board.BaseURL)
		}
	}
	if c.History.RetainDays < 0 {
		bad("history: retain_days %d must not be negative; 0 keeps everything", c.History.RetainDays)
	}
	if n := c.History.SummaryDays; n < 0 || n > 0 && n <= c.History.RetainDays {
		bad("history: summary_days %d must be more than retain_days, or 0, which keeps them all", n)
	}
	if _, err := zerolog.ParseLevel(c.Log.Level); err != nil || c.Log.Level == "" {
		bad("log: level %q is none of debug, info, warn, error", c.Log.Level)
	}
	if c.Log.Format != "json" && c.Log.Format != "console" {
		bad("log: format %q is neither json nor console", c.Log.Format)
	}
	if c.Influx.URL != "" && c.Influx.Bucket == "" {
		bad("influx: bucket is missing; for InfluxDB 1.8 it is database/policy")
	}
	if s := c.Notify.SMTP; s.Host != "" && s.From == "" {
		bad("notify: smtp needs from, the address messages come from")
	}
	if s := c.Notify.SMTP; s.Host == "" && len(s.To) > 0 {
		bad("notify: smtp needs host, the mail server")
	}
	errs = append(errs, checkRoster(&c.Route), c.Travel.Validate())
	return errors.Join(errs...)
}

// people returns who is told.
func (c *notifyConfig) people() (*notify.Settings, error) {
	if c.PeopleFile != "" {
		b, err := os.ReadFile(c.PeopleFile)
		if err != nil {
			return nil, fmt.Errorf("people and rota cannot be read: %w", err)
		}
		s, err := notify.ParseSettings(b)
		if err != nil {
			return nil, named(c.PeopleFile, err)
		}
		return s, nil
	}
	p := notify.Person{ID: "on-call", Name: "on call", TimeZone: cmp.Or(c.TimeZone, "UTC"), Fahrenheit: c.Fahrenheit, Language: c.Language}
	for _, to := range c.SMTP.To {
		p.Contacts = append(p.Contacts, notify.Contact{Channel: "email", To: to})
	}
	if c.Webhook.URL != "" {
		p.Contacts = append(p.Contacts, notify.Contact{Channel: "webhook", To: c.Webhook.URL})
	}
	if c.MQTTTopic != "" {
		p.Contacts = append(p.Contacts, notify.Contact{Channel: "mqtt", To: c.MQTTTopic})
	}
	s := &notify.Settings{EscalateAfter: notify.DefaultEscalation()}
	if len(p.Contacts) > 0 {
		s.People = []notify.Person{p}
		s.Rotas = []notify.Rota{{Name: "everything", TimeZone: p.TimeZone, Start: "2026-01-05", People: []string{p.ID}}}
	}
	return s, s.Validate()
}

// texts returns the texts of messages, and checks that there are some in every
// language that people read.
func (c *notifyConfig) texts(people *notify.Settings) (*notify.Templates, error) {
	t, err := notify.LoadTemplates(c.TextsDir)
	if err != nil {
		return nil, err
	}
	return t, t.Check(people)
}

// secretOf reads a file that holds a secret alone; "" for no file.
func secretOf(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("a secret cannot be read: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// senders makes what reaches people, and checks the secrets' files.
func (c *notifyConfig) senders(publisher notify.Publisher) (map[string]notify.Sender, error) {
	out := map[string]notify.Sender{}
	var errs []error
	if c.SMTP.Host != "" {
		password, err := secretOf(c.SMTP.PasswordFile)
		errs = append(errs, err)
		email, err := notify.NewEmail(notify.EmailOptions{Host: c.SMTP.Host, Port: c.SMTP.Port, Security: c.SMTP.Security,
			User: c.SMTP.User, Password: notify.Secret(password), From: c.SMTP.From})
		errs = append(errs, err)
		out["email"] = email
	}
	if c.Webhook.SecretFile != "" {
		secret, err := secretOf(c.Webhook.SecretFile)
		errs = append(errs, err)
		hook, err := notify.NewWebhook(notify.WebhookOptions{Secret: notify.Secret(secret)})
		errs = append(errs, err)
		out["webhook"] = hook
	} else if c.Webhook.URL != "" {
		errs = append(errs, errors.New("notify: webhook needs secret_file, with which calls are signed"))
	}
	if len(c.ChatFiles) > 0 {
		services := map[string]notify.Secret{}
		for service, file := range c.ChatFiles {
			secret, err := secretOf(file)
			errs = append(errs, err)
			services[service] = notify.Secret(secret)
		}
		chat, err := notify.NewChat(notify.ChatOptions{Services: services})
		errs = append(errs, err)
		out["chat"] = chat
	}
	if publisher != nil {
		out["mqtt"] = notify.MQTT{Publisher: publisher}
	}
	return out, errors.Join(errs...)
}
