package main

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"
	"golang.org/x/term"

	"coilward/collector/fleet"
	"coilward/collector/simulate"
)

// demoCommand is the command line of demo.
type demoCommand struct {
	Listen string  `default:"127.0.0.1:8080" placeholder:"ADDRESS" help:"Where the board opens; on this computer only."`
	Speed  float64 `default:"60" placeholder:"N" help:"How many times faster than real time the fleet lives."`
	Warm   int     `default:"3" placeholder:"DAYS" help:"Days of past the models learn from before it begins."`
	Seed   uint64  `default:"1" placeholder:"N" help:"Another number, other weather and people."`
	Data   string  `placeholder:"DIR" type:"path" help:"New folder for history and alerts, which are then kept; otherwise a temporary one, removed at the end."`
	Log    bool    `help:"Show the log."`
}

// Help is the longer text.
func (demoCommand) Help() string {
	return `Runs the whole program: simulated machines send real messages to the embedded broker, and what the models find is on the board. Simulated techs drive the planned routes and repair what they find. All sites, people and machines are invented.

Example:
  coilward demo
  coilward demo --speed 300

Ctrl-C ends it.`
}

// demoLive is when the demonstration begins: an invented summer day.
var demoLive = time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)

func (c *demoCommand) run(ctx context.Context, s *streams) int {
	fail := func(err error) int {
		fmt.Fprintf(s.err, "coilward demo: %v\n", err)
		return statusFailed
	}
	if c.Speed < 1 || c.Speed > 2000 || c.Warm < 1 || c.Warm > 30 {
		fmt.Fprintln(s.err, "coilward demo: --speed must be 1 to 2000, --warm 1 to 30")
		return statusUsage
	}
	dir := c.Data
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "coilward-demo-"); err != nil {
			return fail(err)
		}
		defer os.RemoveAll(dir)
	} else if list, err := os.ReadDir(dir); err == nil && len(list) > 0 {
		fmt.Fprintf(s.err, "coilward demo: %s is not empty; the demonstration starts from nothing, name a new folder\n", dir)
		return statusUsage
	} else if err := os.MkdirAll(dir, 0o750); err != nil {
		return fail(err)
	}
	f, err := fleet.Parse("demo fleet", simulate.DemoFleet)
	if err != nil {
		return fail(err)
	}
	conf := defaults()
	conf.FleetFile, conf.DataDir, conf.hasBroker = filepath.Join(dir, "fleet.yaml"), dir, true
	conf.Board.Listen, conf.Broker.Listen = c.Listen, "127.0.0.1:0"
	conf.gather, conf.Route = time.Millisecond, demoTechs()
	if err := os.WriteFile(conf.FleetFile, simulate.DemoFleet, 0o600); err != nil {
		return fail(err)
	}
	log := zerolog.Nop()
	if c.Log {
		log = newLog(logConfig{Level: "info", Format: "console"}, s.err)
	}
	warm := time.Duration(c.Warm) * 24 * time.Hour
	clock := newFastClock(demoLive.Add(-warm), time.Now)
	d, err := newDaemon(ctx, &conf, f, clock, log)
	if err != nil {
		return fail(err)
	}
	ready := make(chan struct{})
	opened := make(chan string, 1)
	d.opened = func(a string) { opened <- a }
	d.ready = func() { close(ready) }
	g, ctx2 := errgroup.WithContext(ctx)
	running, stop := context.WithCancel(context.WithoutCancel(ctx))
	context.AfterFunc(ctx2, stop)
	g.Go(func() error { defer stop(); return d.run(running) })
	g.Go(func() error {
		defer stop()
		address := ""
		select {
		case address = <-opened:
		case <-running.Done():
			return nil
		}
		fmt.Fprintf(s.out, demoOpens, f.Len(), len(f.Sites), address, c.Warm)
		select {
		case <-ready:
		case <-running.Done():
			return nil
		}
		cabinets := demoCabinets{clock: clock, broker: d.broker.Addresses()["tcp"], seed: c.Seed, warm: warm, speed: c.Speed}
		cabinets.crew = &demoCrew{d: d, board: "http://" + address}
		cabinets.played = progressOf(s.out, warm)
		cabinets.warmed = func(took time.Duration) {
			fmt.Fprintf(s.out, demoLives, took.Seconds(), c.Speed, time.Duration(float64(24*time.Hour)/c.Speed).Round(time.Minute).Minutes())
		}
		err := cabinets.run(running)
		if err == nil && running.Err() == nil {
			fmt.Fprintf(s.out, "The %d days that are drawn are over. Start it again for others, with --seed.\n", simulate.DemoDays)
		}
		return err
	})
	if err := g.Wait(); err != nil && !errors.Is(err, context.Canceled) {
		return fail(err)
	}
	fmt.Fprintln(s.out, "Stopped.")
	return statusOK
}

const (
	demoOpens = `An invented fleet of %d machines at %d sites.

  Open  http://%s/

First its last %d days are played fast, for the models to learn from. Trouble shows meanwhile.
`
	demoLives = `Played in %.0f s. From here on the fleet lives %.0f times faster than the clock on the wall: a day in %.0f minutes.

  The line of each machine in trouble ends where its product leaves the limit.
  Open a machine to see the failing part named, the evidence beside its charts,
  and how long the product has. New trouble comes within minutes; techs drive out
  and repair what they are sent to. Ctrl-C ends it.
`
)

// progressOf tells how much of the past has been played: a line that is written over
// where out is a terminal, else one a third.
func progressOf(out io.Writer, warm time.Duration) func(played time.Duration) {
	file, ok := out.(*os.File)
	terminal := ok && term.IsTerminal(int(file.Fd()))
	said := 0
	return func(played time.Duration) {
		percent := int(100 * played / warm)
		switch {
		case terminal && percent >= 100:
			fmt.Fprint(out, "\r        \r")
		case terminal && percent > said:
			fmt.Fprintf(out, "\r  %d %%", percent)
		case !terminal && percent < 100 && percent >= said+33:
			fmt.Fprintf(out, "  %d %%\n", percent)
		default:
			return
		}
		said = percent
	}
}

// demoCabinets publishes the simulated fleet over MQTT, and lets techs work at it.
type demoCabinets struct {
	clock  *fastClock
	broker string
	seed   uint64
	warm   time.Duration
	speed  float64
	crew   *demoCrew
	played func(played time.Duration)
	warmed func(took time.Duration)
}

// run plays until ctx ends, or until the days that are drawn are over.
func (c *demoCabinets) run(ctx context.Context) error {
	start := time.Now()
	sim, err := simulate.NewDemo(c.seed, demoLive, c.warm)
	if err != nil {
		return err
	}
	// The broker takes a connection's messages one at a time, each to the disk
	// before the next: many connections go through a past of days sooner.
	links := make(links, demoLinks)
	defer links.close()
	for i := range links {
		// On a busy computer a connection may be given up for dead: it comes back, and
		// what was not acknowledged goes over it again.
		o := paho.NewClientOptions().AddBroker("tcp://" + c.broker).SetClientID(fmt.Sprintf("demo-gateway-%d", i)).
			SetOrderMatters(false).SetCleanSession(false).SetAutoReconnect(true).SetMaxReconnectInterval(2 * time.Second).
			SetKeepAlive(2 * time.Minute).SetPingTimeout(time.Minute)
		links[i] = paho.NewClient(o)
		if t := links[i].Connect(); !t.WaitTimeout(time.Minute) || t.Error() != nil {
			return errors.Join(errors.New("the cabinets cannot reach the broker"), t.Error())
		}
	}

	// The past goes by in steps, in which every machine sends what it has measured
	// in one message; the clock waits for every acknowledgement.
	const step = 4 * time.Minute // less than what a cabinet's clock may be wrong by
	sim.Pack(int(step / time.Minute))
	for left := c.warm; left > 0 && ctx.Err() == nil; left -= step {
		messages := sim.Advance(step)
		c.clock.Set(sim.Now())
		if err := links.publish(ctx, messages, func(i int, m *simulate.Message) int {
			if m.Status {
				return linkOf(m)
			}
			return i
		}); err != nil {
			return err
		}
		c.played(c.warm - left + step)
	}
	if ctx.Err() != nil {
		return nil
	}
	sim.Pack(1)
	c.clock.Go(c.speed)
	c.warmed(time.Since(start))

	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	end := demoLive.Add(simulate.DemoDays * 24 * time.Hour)
	for sim.Now().Before(end) {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if behind := c.clock.Now().Sub(sim.Now()); behind > 0 {
			if err := links.publish(ctx, sim.Advance(behind), func(_ int, m *simulate.Message) int { return linkOf(m) }); err != nil {
				return err
			}
		}
		c.crew.work(ctx, sim)
	}
	return nil
}

const demoLinks = 96

// links are connections to the broker.
type links []paho.Client

func (l links) close() {
	for _, c := range l {
		if c != nil && c.IsConnected() {
			c.Disconnect(0)
		}
	}
}

// publish sends each message over the link that choose says, and waits until all
// are acknowledged. What goes over one link keeps its order.
func (l links) publish(ctx context.Context, messages []simulate.Message, choose func(i int, m *simulate.Message) int) error {
	tokens := make([]paho.Token, len(messages))
	for i := range messages {
		m := &messages[i]
		tokens[i] = l[choose(i, m)%len(l)].Publish(m.Topic, 1, m.Status, m.Payload)
	}
	for _, t := range tokens {
		select {
		case <-t.Done():
			if err := t.Error(); err != nil && ctx.Err() == nil {
				return fmt.Errorf("the broker did not take a message: %w", err)
			}
		case <-ctx.Done():
			return nil
		}
	}
	return nil
}

// linkOf chooses by the machine, so that what it sends keeps its order.
func linkOf(m *simulate.Message) int {
	h := fnv.New32a()
	h.Write([]byte(m.Topic[:strings.LastIndexByte(m.Topic, '/')]))
	return int(h.Sum32() >> 1)
}
