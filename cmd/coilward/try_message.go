package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/ledger"
	"coilward/alerts/notify"
)

// tryMessageCommand is the command line of try-message.
type tryMessageCommand struct {
	Config  string        `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file."`
	Person  string        `required:"" placeholder:"ID" help:"Whom to send it to, as in the people file; on-call without one."`
	Channel string        `placeholder:"NAME" help:"Only over this channel: email, webhook, chat or mqtt; over all of the person's if left out."`
	Wait    time.Duration `default:"2m" placeholder:"TIME" help:"How long to wait for a running daemon to send it."`
}

// Help is the longer text.
func (tryMessageCommand) Help() string {
	return `Sends a test message to one person, in their language and over the way alerts take: it is put into the outbox and sent from there, by the daemon if one is running on the same data, else by this command. The exit status is 0 when everything was taken by the other side, 1 when something was not, with its reason.

Example:
  coilward try-message --config /etc/coilward/coilward.yaml --person ana
  coilward try-message --config coilward.yaml --person ana --channel email`
}

func (c *tryMessageCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		fmt.Fprintf(s.err, "coilward try-message: %v\n", err)
		return status
	}
	conf, err := readConfig(c.Config)
	if err != nil {
		return fail(statusUsage, err)
	}
	people, err := conf.Notify.people()
	if err != nil {
		return fail(statusUsage, err)
	}
	texts, err := conf.Notify.texts(people)
	if err != nil {
		return fail(statusUsage, err)
	}
	person, contacts, err := c.contacts(people)
	if err != nil {
		return fail(statusUsage, err)
	}
	l, err := openLedger(ctx, conf.DataDir)
	if err != nil {
		return fail(statusFailed, err)
	}
	defer l.Close()
	team, now := notify.NewTeam(notify.TeamOptions{Settings: people, Texts: texts}), time.Now()
	var messages []ledger.Message
	for _, to := range contacts {
		messages = append(messages, team.Test(person, to, now))
	}
	if err := l.Put(ctx, messages...); err != nil {
		return fail(statusFailed, err)
	}
	if !daemonRuns(ctx, conf.DataDir) {
		if err := sendNow(ctx, conf, l, messages); err != nil {
			return fail(statusFailed, err)
		}
		c.Wait = 0
	}
	status := statusOK
	for _, m := range messages {
		says, ok := outcomeOf(ctx, l, m.Key, now.Add(c.Wait))
		fmt.Fprintf(s.out, "%s %s: %s\n", m.Channel, m.To, says)
		if !ok {
			status = statusFailed
		}
	}
	return status
}

// contacts are the person, and the ways to reach them that are asked for.
func (c *tryMessageCommand) contacts(people *notify.Settings) (*notify.Person, []notify.Contact, error) {
	var names []string
	for i := range people.People {
		p := &people.People[i]
		if p.ID != c.Person {
			names = append(names, p.ID)
			continue
		}
		out := slices.DeleteFunc(slices.Clone(p.Contacts), func(k notify.Contact) bool { return c.Channel != "" && k.Channel != c.Channel })
		if len(out) == 0 {
			return nil, nil, fmt.Errorf("%s is not reached over %q; see the people file", c.Person, c.Channel)
		}
		return p, out, nil
	}
	if len(names) == 0 {
		return nil, nil, errors.New("nobody is told anything: set notify.people_file, or smtp.to, webhook.url or mqtt_topic")
	}
	return nil, nil, fmt.Errorf("%q is none of the people: %s", c.Person, strings.Join(names, ", "))
}

// daemonRuns reports whether a daemon works on the data.
func daemonRuns(ctx context.Context, data string) bool {
	conn, err := (&net.Dialer{}).DialContext(ctx, "unix", filepath.Join(data, adminSocket))
	if err != nil {
		return false
	}
	conn.Close()
	return true
}

// sendNow makes one attempt at each message.
func sendNow(ctx context.Context, conf *config, l *ledger.Ledger, messages []ledger.Message) error {
	senders, err := conf.Notify.senders(nil)
	if err != nil {
		return err
	}
	loop, err := notify.NewLoop(notify.LoopOptions{Outbox: l, Senders: senders, Log: zerolog.Nop(), GiveUp: time.Nanosecond})
	if err != nil {
		return err
	}
	for _, m := range messages {
		if err := loop.SendNow(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// outcomeOf waits until it is known what became of a message.
func outcomeOf(ctx context.Context, l *ledger.Ledger, key string, until time.Time) (says string, ok bool) {
	for {
		m, found, err := l.Message(ctx, key)
		switch {
		case err != nil:
			return err.Error(), false
		case !found:
			return "it is not in the outbox", false
		case m.State == "sent":
			return "taken by the other side", true
		case m.State == "dead":
			return "not sent: " + m.Error, false
		case !time.Now().Before(until) || !pause(ctx, time.Second, nil):
			if m.Error == "" {
				m.Error = "no attempt was made yet"
			}
			return "not sent so far: " + m.Error, false
		}
	}
}
