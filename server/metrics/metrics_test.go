package metrics

import (
	"context"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// scrape serves the metrics of a registry and reads them once, as another host.
func scrape(t *testing.T, r *Registry, host string) (int, string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- r.Serve(ctx, listener) }()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+listener.Addr().String()+"/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	if host != "" {
		req.Host = host
	}
	answer, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Errorf("serving ended with %v", err)
	}
	return answer.StatusCode, string(body)
}

func TestMetricsAreServed(t *testing.T) {
	t.Parallel()
	r, err := New()
	if err != nil {
		t.Fatal(err)
	}
	r.Call(t.Context(), "/alkalog.v1.AuditService/ListEntries", "NotFound", "NOT_FOUND", false, 3*time.Millisecond)
	r.Call(t.Context(), "/alkalog.v1.ProcessingService/WatchSession", "OK", "", true, time.Hour)
	r.Counter("alkalog.shed", "Shed.", func() int64 { return 7 })
	r.Gauge("alkalog.lag", "s", "Lag.", func() float64 { return 1.5 })
	r.Gauges("alkalog.not.ready", "Causes.", "cause", func() map[string]float64 { return map[string]float64{"disk": 1} })
	if err := r.Err(); err != nil {
		t.Fatal(err)
	}
	code, text := scrape(t, r, "")
	if code != http.StatusOK {
		t.Fatalf("status %d: %s", code, text)
	}
	for _, want := range []string{
		`alkalog_calls_total{code="NotFound",method="/alkalog.v1.AuditService/ListEntries",reason="NOT_FOUND"} 1`,
		`alkalog_call_duration_seconds_bucket{method="/alkalog.v1.AuditService/ListEntries",le="0.005"} 1`,
		"alkalog_shed_total 7", "alkalog_lag_seconds 1.5", `alkalog_not_ready{cause="disk"} 1`,
		"go_memstats_heap_alloc_bytes ", "process_resident_memory_bytes ",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%s is not there:\n%s", want, text)
		}
	}
	if strings.Contains(text, `duration_seconds_count{method="/alkalog.v1.ProcessingService`) {
		t.Error("the length of a stream counts as a latency")
	}
}

// TestMetricsAreForThisMachineOnly: a name that leads here by DNS rebinding.
func TestMetricsAreForThisMachineOnly(t *testing.T) {
	t.Parallel()
	r, err := New()
	if err != nil {
		t.Fatal(err)
	}
	if code, text := scrape(t, r, "metrics.example.org"); code != http.StatusForbidden || strings.Contains(text, "go_") {
		t.Errorf("status %d: %s", code, text)
	}
	if code, _ := scrape(t, r, "localhost:9420"); code != http.StatusOK {
		t.Errorf("by the name localhost: status %d", code)
	}
}
