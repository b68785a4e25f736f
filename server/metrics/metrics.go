// Package metrics counts and measures with the OpenTelemetry metrics API, and
// serves the result in the text format of Prometheus.
//
// Labels have values from closed sets of our own: methods, status codes,
// reasons, causes. No label holds a name, an id, an address or anything that a
// caller has sent, so metrics contain no personal data and their number is
// bounded.
//
// A metric that cannot be defined is a programming error. Registry.Err returns
// all of them after the definitions, so that definitions need no error handling
// of their own.
package metrics

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/otel/attribute"
	otelprometheus "go.opentelemetry.io/otel/exporters/prometheus"
	"go.opentelemetry.io/otel/metric"
	sdk "go.opentelemetry.io/otel/sdk/metric"
)

// Registry holds the metrics of one server.
type Registry struct {
	// gatherer collects all metrics when they are scraped.
	gatherer *prometheus.Registry
	meter    metric.Meter
	calls    metric.Int64Counter
	latency  metric.Float64Histogram
	// problems are the definitions that failed.
	problems []error
}

// latencyBounds are the upper bounds of the latency buckets in seconds; our own
// choice, around the usual 1 to 50 ms and the deadline of 10 s.
var latencyBounds = []float64{0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10}

// New returns a registry with the memory and CPU metrics of the process.
func New() (*Registry, error) {
	gatherer := prometheus.NewRegistry()
	gatherer.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	exporter, err := otelprometheus.New(otelprometheus.WithRegisterer(gatherer), otelprometheus.WithoutScopeInfo(), otelprometheus.WithoutTargetInfo())
	if err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	r := &Registry{gatherer: gatherer, meter: sdk.NewMeterProvider(sdk.WithReader(exporter)).Meter("alkalog")}
	r.calls, err = r.meter.Int64Counter("alkalog.calls", metric.WithDescription("Calls that have ended, by method, status code and reason of the error."))
	r.fail(err)
	r.latency, err = r.meter.Float64Histogram("alkalog.call.duration", metric.WithUnit("s"),
		metric.WithDescription("Duration of unary calls."), metric.WithExplicitBucketBoundaries(latencyBounds...))
	r.fail(err)
	return r, r.Err()
}

// fail collects the error of a definition.
func (r *Registry) fail(err error) {
	if err != nil {
		r.problems = append(r.problems, fmt.Errorf("metrics: %w", err))
	}
}

// Err returns the errors of all definitions.
func (r *Registry) Err() error { return errors.Join(r.problems...) }

// Call counts a call that has ended. It records the duration of unary calls
// only, because the duration of a stream is not a latency.
func (r *Registry) Call(ctx context.Context, method, code, reason string, stream bool, took time.Duration) {
	by := attribute.String("method", method)
	r.calls.Add(ctx, 1, metric.WithAttributes(by, attribute.String("code", code), attribute.String("reason", reason)))
	if !stream {
		r.latency.Record(ctx, took.Seconds(), metric.WithAttributes(by))
	}
}

// Counter defines a metric that only grows. read is called when metrics are
// collected.
func (r *Registry) Counter(name, help string, read func() int64) {
	_, err := r.meter.Int64ObservableCounter(name, metric.WithDescription(help),
		metric.WithInt64Callback(func(_ context.Context, o metric.Int64Observer) error {
			o.Observe(read())
			return nil
		}))
	r.fail(err)
}

// Gauge defines a metric that rises and falls. read is called when metrics are
// collected. unit is "s" for seconds, "By" for bytes, or empty.
func (r *Registry) Gauge(name, unit, help string, read func() float64) {
	_, err := r.meter.Float64ObservableGauge(name, metric.WithUnit(unit), metric.WithDescription(help),
		metric.WithFloat64Callback(func(_ context.Context, o metric.Float64Observer) error {
			o.Observe(read())
			return nil
		}))
	r.fail(err)
}

// Gauges is Gauge for several values that differ in one label.
func (r *Registry) Gauges(name, help, label string, read func() map[string]float64) {
	_, err := r.meter.Float64ObservableGauge(name, metric.WithDescription(help),
		metric.WithFloat64Callback(func(_ context.Context, o metric.Float64Observer) error {
			for value, n := range read() {
				o.Observe(n, metric.WithAttributes(attribute.String(label, value)))
			}
			return nil
		}))
	r.fail(err)
}

const (
	// headerTime bounds how long a scraper may take to send its request, and
	// answerTime the whole exchange; our own choice.
	headerTime, answerTime = 5 * time.Second, 30 * time.Second
)

// Serve answers GET /metrics on a listener until ctx is done. It refuses
// requests for another host name than this machine's, so that a web page in a
// browser on this machine cannot read metrics by DNS rebinding.
func (r *Registry) Serve(ctx context.Context, listener net.Listener) error {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", onlyLoopback(promhttp.HandlerFor(r.gatherer, promhttp.HandlerOpts{MaxRequestsInFlight: 4})))
	server := &http.Server{Handler: mux, ReadHeaderTimeout: headerTime, ReadTimeout: headerTime, WriteTimeout: answerTime, MaxHeaderBytes: 16 << 10}
	stop := context.AfterFunc(ctx, func() { server.Close() })
	defer stop()
	if err := server.Serve(listener); ctx.Err() == nil {
		return err
	}
	return nil
}

// onlyLoopback refuses requests whose Host header is not this machine.
func onlyLoopback(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		host, _, err := net.SplitHostPort(req.Host)
		if err != nil {
			host = req.Host
		}
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			http.Error(w, "metrics are served to this machine only", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, req)
	})
}
