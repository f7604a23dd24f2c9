package main

import (
	"context"
	"errors"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/influx"
)

// past is a history that past days are taken from.
type past interface {
	// Arrived yields what was received from the machines, of all if machines is
	// nil, at from ≤ Received < to, in the order of arrival.
	Arrived(ctx context.Context, machines map[string]bool, from, to collector.Millis, each func(*history.Entry) error) error
	// Machines returns what there is of each machine.
	Machines() []history.Span
}

// openPast opens the history that days are tried on: that of the data folder, or
// the copy of it in InfluxDB, which may reach back further. done must be called.
func (c *trialCommand) openPast(ctx context.Context, conf *config, data string) (p past, done func(), err error) {
	if c.History != "influx" {
		return openToRead(ctx, data)
	}
	if conf.Influx.URL == "" {
		return nil, nil, errors.New("the configuration names no InfluxDB: set influx.url and influx.bucket, or leave --history out")
	}
	token, err := secretOf(conf.Influx.TokenFile)
	if err != nil {
		return nil, nil, err
	}
	db := influx.New(influx.Options{
		URL: conf.Influx.URL, Token: influx.Secret(token), Org: conf.Influx.Org, Bucket: conf.Influx.Bucket, Log: zerolog.Nop(),
	})
	spans, err := db.Machines(ctx)
	if err != nil {
		db.Close()
		return nil, nil, err
	}
	return influxPast{db, spans}, db.Close, nil
}

// influxPast is the copy in InfluxDB.
type influxPast struct {
	*influx.DB
	spans []history.Span
}

// Machines returns what there was when it was opened.
func (p influxPast) Machines() []history.Span { return p.spans }
