package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// process is the service as a process of its own.
type process struct {
	cmd     *exec.Cmd
	address string
	before  []string    // its log until it served
	log     chan string // its further log, the last thousand lines, closed at its end
}

// start starts the command and waits until it serves.
func start(t *testing.T, db *pgtest.DB, settings ...string) *process {
	t.Helper()
	cmd := exec.Command(os.Args[0], "serve")
	// The tests' own switches are no settings of the service's.
	cmd.Env = slices.DeleteFunc(os.Environ(), func(pair string) bool { return strings.HasPrefix(pair, "PINWRIGHT_") })
	cmd.Env = append(append(cmd.Env, asCommand+"=1", "PINWRIGHT_SERVE_URL="+db.AppURL, "PINWRIGHT_ADDR=127.0.0.1:0"), settings...)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // ended already when the test went well
	p := &process{cmd: cmd, log: make(chan string, 1000)}
	lines := bufio.NewScanner(stderr)
	for lines.Scan() {
		p.before = append(p.before, lines.Text())
		var event struct{ Msg, Address string }
		if json.Unmarshal(lines.Bytes(), &event) == nil && event.Msg == "serving" {
			p.address = event.Address
			break
		}
	}
	if p.address == "" {
		t.Fatalf("ended without serving: %v", cmd.Wait())
	}
	go func() {
		defer close(p.log)
		for lines.Scan() { // to the end, or the process would wait for its log to be read
			select {
			case p.log <- lines.Text():
			default: // nobody has read for long: the oldest goes
				<-p.log
				p.log <- lines.Text()
			}
		}
	}()
	return p
}

func (p *process) status(t *testing.T, path string) int {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+p.address+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Close = true // each on a connection of its own, like a balancer's probes
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0
	}
	_ = response.Body.Close()
	return response.StatusCode
}

// end waits for the process and returns its exit code and its last log.
func (p *process) end(t *testing.T) (int, string) {
	t.Helper()
	var all []string
	late := time.After(30 * time.Second)
	for {
		select {
		case line, more := <-p.log:
			if more {
				all = append(all, line)
				continue
			}
			err := p.cmd.Wait()
			if err != nil {
				t.Log(err)
			}
			return p.cmd.ProcessState.ExitCode(), strings.Join(all, "\n")
		case <-late:
			t.Fatalf("still running 30 s later:\n%s", strings.Join(all, "\n"))
		}
	}
}

func TestOnSIGTERMReadinessFailsFirstAndWhatIsUnderWayFinishes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "thorn-yard", Name: "Thorn Yard", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Runa Vale"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	p := start(t, db, "PINWRIGHT_DRAIN_DELAY=3s", "PINWRIGHT_SHUTDOWN_GRACE=20s")
	if got := p.status(t, "/readyz"); got != 200 {
		t.Fatalf("readiness %d before", got)
	}

	// A write whose body is still on its way when the signal comes.
	conn, err := net.Dial("tcp", p.address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close() //nolint:errcheck // read to its end below
	body := `{"code":"north","name":"North Yard","time_zone":"Europe/Lisbon"}`
	if _, err := fmt.Fprintf(conn, "POST /v1/clubs/thorn-yard/garages HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nIdempotency-Key: %s\r\n"+
		"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", club.Secret.Reveal(), newKey(t, p), len(body), body[:10]); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the request to be under way", func() bool { return strings.Contains(p.metrics(t), "http_server_active_requests 2\n") })
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "readiness to fail", func() bool { return p.status(t, "/readyz") == 503 })
	if got := p.status(t, "/healthz"); got != 200 {
		t.Errorf("while it drains, liveness is %d: it would be killed before it is done", got)
	}
	waitFor(t, "the listener to close", func() bool { return p.status(t, "/healthz") == 0 })
	if _, err := io.WriteString(conn, body[10:]); err != nil {
		t.Fatal(err)
	}
	response, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatalf("the request under way was cut: %v", err)
	}
	text, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != 201 {
		t.Errorf("the request under way: %d %s %v", response.StatusCode, text, err)
	}
	if code, log := p.end(t); code != exitOK || !strings.Contains(log, "stopping") {
		t.Errorf("exit %d, log:\n%s", code, log)
	}
}

func TestASecondSignalEndsAtOnce(t *testing.T) {
	t.Parallel()
	p := start(t, pgtest.New(t), "PINWRIGHT_DRAIN_DELAY=60s")
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "readiness to fail", func() bool { return p.status(t, "/readyz") == 503 })
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code, _ := p.end(t); code == exitOK {
		t.Error("ended by a second signal it reports success")
	}
}

func TestHeadersOverTheLimitAreA431(t *testing.T) {
	t.Parallel()
	p := start(t, pgtest.New(t))
	r, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+p.address+"/healthz", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("X-Long", strings.Repeat("a", 2<<20))
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	_ = response.Body.Close()
	if response.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("%d, want 431 (RFC 6585, 5)", response.StatusCode)
	}
	if got := p.status(t, "/healthz"); got != 200 {
		t.Errorf("afterwards %d", got)
	}
}

func newKey(t *testing.T, p *process) string {
	t.Helper()
	return strings.TrimSpace(p.body(t, "/v1/new-id"))
}

func (p *process) metrics(t *testing.T) string {
	t.Helper()
	return p.body(t, "/metrics")
}

func (p *process) body(t *testing.T, path string) string {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+p.address+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // read to its end below
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func waitFor(t *testing.T, what string, reached func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !reached(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited 30 s for %s", what)
		}
	}
}
