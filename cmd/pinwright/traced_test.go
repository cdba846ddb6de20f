package main

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"pinwright/internal/pgtest"
)

func TestTracesAreSentBeforeTheProcessEnds(t *testing.T) {
	t.Parallel()
	var posts, bytes atomic.Int64
	collector := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == "POST" && r.URL.Path == "/v1/traces" && r.Header.Get("Content-Type") == "application/x-protobuf" {
			posts.Add(1)
			bytes.Add(r.ContentLength)
		}
		w.Header().Set("Content-Type", "application/x-protobuf") // an empty ExportTraceServiceResponse
	}))
	t.Cleanup(collector.Close)
	p := start(t, pgtest.New(t), "PINWRIGHT_TRACE_ENDPOINT="+collector.URL+"/v1/traces")
	if got := p.status(t, "/readyz"); got != 200 {
		t.Fatalf("readiness %d", got)
	}
	began := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code, log := p.end(t); code != exitOK || !strings.Contains(log, `"trace_id":"`) {
		t.Errorf("exit %d, log:\n%s", code, log)
	}
	// Spans wait 5 s for company, so that these can only come from stopping.
	if posts.Load() == 0 || bytes.Load() == 0 {
		t.Errorf("the collector got %d posts of %d bytes within %s", posts.Load(), bytes.Load(), time.Since(began))
	}
}

func TestACollectorThatIsAwayDoesNotStopTheService(t *testing.T) {
	t.Parallel()
	gone := httptest.NewServer(nil)
	gone.Close()
	p := start(t, pgtest.New(t), "PINWRIGHT_TRACE_ENDPOINT="+gone.URL+"/v1/traces", "PINWRIGHT_REQUEST_TIMEOUT=1s", "PINWRIGHT_POOL_WAIT=1s", "PINWRIGHT_SHUTDOWN_GRACE=2s")
	for range 50 {
		if got := p.status(t, "/healthz"); got != 200 {
			t.Fatalf("answered %d", got)
		}
	}
	if got := p.metrics(t); !strings.Contains(got, `pinwright_trace_spans_total{outcome="sent"} 0`) {
		t.Error("the figures do not tell of traces")
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code, log := p.end(t); code != exitOK || !strings.Contains(log, "not sent") {
		t.Errorf("exit %d, log:\n%s", code, log)
	}
}
