package command

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/metrics"
	"benchwarden/daemon/server"
	"benchwarden/daemon/service"
	"benchwarden/daemon/station"
)

func serveCommand(c *console, s *settings) *cobra.Command {
	return &cobra.Command{
		Use:   "serve [BENCH...]",
		Short: "Own benches and serve them to run, bench and make-safe",
		Long: `Own the links of benches, each with its own warden, and serve them on a local Unix socket. BENCH is a bench file or the name
of one under configs/benches; without any, those of the settings are served. Metrics are on a loopback address.`,
		RunE: func(cmd *cobra.Command, names []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			if len(names) == 0 {
				names = settings.Benches
			}
			if len(names) == 0 {
				return usage("serve: no bench: name bench files, or list them under benches in the settings")
			}
			return serve(cmd.Context(), c, settings, names)
		},
	}
}

func serve(ctx context.Context, c *console, s Settings, names []string) error {
	var files []*bench.File
	for _, name := range names {
		path, err := benchFile(s, name)
		if err != nil {
			return configFault(err)
		}
		file, err := bench.ReadFile(path)
		if err == nil {
			err = file.Validate(bench.Needs{}, bench.Speaks(s.dialects())).Faults.Err()
		}
		if err != nil {
			return configFault(err)
		}
		files = append(files, file)
	}
	api, err := server.Listen(s.Socket)
	if err != nil {
		return err
	}
	scrape, err := listenMetrics(s.Metrics)
	if err != nil {
		return errors.Join(err, api.Close())
	}
	return own(ctx, c, s, files, api, scrape)
}

// listenMetrics opens the metrics page's socket; only loopback is taken until there are rights.
func listenMetrics(address string) (net.Listener, error) {
	if address == "" {
		return nil, nil
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, configFault(fmt.Errorf("metrics: %w", err))
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, configFault(fmt.Errorf("metrics: %s is no loopback address; only this computer may read them", address))
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	return listener, nil
}

// own runs the benches and what serves them until ctx ends; every bench is made safe before it returns.
func own(ctx context.Context, c *console, s Settings, files []*bench.File, api, scrape net.Listener) error {
	hub, slot := event.NewHub(), station.NewSlot()
	collected := metrics.New(version())
	counted := hub.Subscribe(event.Lossy)
	told := hub.Subscribe(event.Lossy)

	life, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	group, gctx := errgroup.WithContext(life)
	group.Go(func() error { return collected.Run(gctx, counted) })
	group.Go(func() error { return log(gctx, logger(c, s), told) })

	book, jobs := jobsOrNone(ctx, c, s)
	if book != nil {
		defer book.Close()
	}
	var runsJobs station.Jobs // an interface that is nil without a book
	if jobs != nil {
		runsJobs = jobs
	}
	manager, err := service.Connect()
	if err != nil {
		stop()
		return errors.Join(err, group.Wait())
	}
	defer manager.Close()
	opened, minded, err := openKept(ctx, s, files, hub, slot, "daemon", runsJobs, manager)
	if err != nil {
		stop()
		return errors.Join(err, group.Wait())
	}
	var benches []server.Bench
	stations, sctx := errgroup.WithContext(ctx)
	for _, st := range opened {
		benches = append(benches, st)
		stations.Go(func() error { return st.Run(sctx) })
		fmt.Fprintf(c.out, "bench %s is served on %s\n", st.Name(), s.Socket)
	}
	serving := server.New(benches...)
	serving.ServeLimits(limitsDesk{s})
	if jobs != nil {
		takeLeftOver(ctx, c, s, book) // once the benches are safe
		serving.ServeJobs(jobs)
	}
	group.Go(func() error { return serving.Serve(gctx, api) })
	group.Go(func() error { return reload(gctx, c, s, files) })
	if err := manager.Ready(len(opened)); err != nil {
		fmt.Fprintln(c.err, "benchwarden:", err)
	}
	stopping := context.AfterFunc(ctx, func() { _ = manager.Stopping() }) // it may be gone
	defer stopping()
	if scrape != nil {
		fmt.Fprintf(c.out, "metrics on http://%s/metrics\n", scrape.Addr())
		group.Go(func() error { return serveMetrics(gctx, collected, scrape) })
	}
	// The benches end first; the API goes on telling how they were made safe.
	err = stations.Wait()
	stop()
	return errors.Join(err, group.Wait(), minded.Close())
}

func serveMetrics(ctx context.Context, m *metrics.Metrics, listener net.Listener) error {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.Gatherer(), promhttp.HandlerOpts{EnableOpenMetrics: true}))
	h := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}
	stop := context.AfterFunc(ctx, func() { h.Close() })
	defer stop()
	if err := h.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("metrics: %w", err)
	}
	return nil
}
