package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// probes are what machines ask: the figures, and whether the daemon lives and
// does its job. They tell nothing of a single machine and change nothing, so
// they may be listened to from elsewhere, unlike the board.
func (d *daemon) probes() map[string]http.Handler {
	return map[string]http.Handler{
		"GET /metrics": promhttp.HandlerFor(d.registry, promhttp.HandlerOpts{}),
		"GET /livez":   http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") }),
		"GET /readyz":  http.HandlerFunc(d.readyz),
	}
}

// serveProbes answers them at an address of their own until ctx ends; opened is
// told it.
func (d *daemon) serveProbes(ctx context.Context, opened func(address string)) error {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", d.config.Metrics.Listen)
	if err != nil {
		return fmt.Errorf("metrics: %w; choose another metrics.listen", err)
	}
	mux := http.NewServeMux()
	for path, h := range d.probes() {
		mux.Handle(path, h)
	}
	server := &http.Server{
		Handler: mux, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 20 * time.Second, WriteTimeout: 30 * time.Second,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}
	d.log.Info().Str("address", "http://"+l.Addr().String()+"/metrics").Msg("metrics have an address of their own")
	if opened != nil {
		opened(l.Addr().String())
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(l) }()
	select {
	case err := <-served:
		return fmt.Errorf("metrics: %w", err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	err = server.Shutdown(last)
	if err != nil {
		err = errors.Join(fmt.Errorf("metrics: %w", err), server.Close())
	}
	<-served
	return err
}
