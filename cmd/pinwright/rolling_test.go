package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"slices"
	"sync"
	"syscall"
	"testing"
	"testing/fstest"
	"time"

	"pinwright/internal/insist"
	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// balancer passes requests on to the processes that said last that they are
// ready, each in turn, and retries nothing.
type balancer struct {
	probe *http.Client

	mu      sync.Mutex
	known   []string
	ready   []string
	turn    int
	faults  []string
	without int // how often nobody was ready
}

// probed is how often the balancer asks for readiness.
const probed = 50 * time.Millisecond

func newBalancer(ctx context.Context, t *testing.T) (*balancer, string) {
	t.Helper()
	b := &balancer{probe: &http.Client{Timeout: 2 * time.Second}}
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(&url.URL{Scheme: "http", Host: r.Out.Context().Value(chosen{}).(string)})
		},
		// A transport that repeats a request by itself would hide a cut one.
		Transport: neverAgain{&http.Transport{MaxIdleConnsPerHost: 50}},
		ErrorHandler: func(w http.ResponseWriter, _ *http.Request, err error) {
			b.fault("a request was cut: %v", err)
			w.WriteHeader(http.StatusBadGateway)
		},
	}
	front := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		at, ok := b.next()
		if !ok {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		proxy.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), chosen{}, at)))
	}))
	t.Cleanup(front.Close)
	go func() {
		for ctx.Err() == nil {
			b.look(ctx)
			time.Sleep(probed)
		}
	}()
	return b, front.Listener.Addr().String()
}

type chosen struct{}

// neverAgain takes from a request what lets the transport send it again on
// another connection.
type neverAgain struct{ http.RoundTripper }

func (n neverAgain) RoundTrip(r *http.Request) (*http.Response, error) {
	r.GetBody = nil
	return n.RoundTripper.RoundTrip(r)
}

func (b *balancer) next() (string, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.ready) == 0 {
		b.without++
		return "", false
	}
	b.turn++
	return b.ready[b.turn%len(b.ready)], true
}

// look asks every process whether it is ready.
func (b *balancer) look(ctx context.Context) {
	b.mu.Lock()
	known := slices.Clone(b.known)
	b.mu.Unlock()
	var ready []string
	for _, at := range known {
		r, err := http.NewRequestWithContext(ctx, "GET", "http://"+at+"/readyz", nil)
		if err != nil {
			continue
		}
		if response, err := b.probe.Do(r); err == nil {
			_ = response.Body.Close()
			if response.StatusCode == http.StatusOK {
				ready = append(ready, at)
			}
		}
	}
	b.mu.Lock()
	b.ready = ready
	b.mu.Unlock()
}

func (b *balancer) know(addresses ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.known = addresses
}

func (b *balancer) isReady(address string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Contains(b.ready, address)
}

func (b *balancer) fault(format string, args ...any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.faults) < 10 { // more would say no more
		b.faults = append(b.faults, fmt.Sprintf(format, args...))
	}
}

// later are the program's migrations and two that are yet to come: one that
// expands tables which are being served, and one that takes its time.
func later(t *testing.T) fs.FS {
	t.Helper()
	all := fstest.MapFS{
		"9001_shelf.up.sql": {Data: []byte(`SET lock_timeout = '1s';
			CREATE TABLE shelf (club_id uuid NOT NULL REFERENCES club, id uuid NOT NULL, garage_id uuid NOT NULL, label text NOT NULL,
				PRIMARY KEY (club_id, id), FOREIGN KEY (club_id, garage_id) REFERENCES garage);
			SELECT fence('shelf');
			ALTER TABLE garage ADD COLUMN storeys integer NOT NULL DEFAULT 1;
			ALTER TABLE reading ADD COLUMN humidity double precision;`)},
		"9001_shelf.down.sql": {Data: []byte(`ALTER TABLE reading DROP COLUMN humidity; ALTER TABLE garage DROP COLUMN storeys; DROP TABLE shelf;`)},
		"9002_index.up.sql": {Data: []byte(`SET lock_timeout = '1s';
			CREATE INDEX garage_by_storeys ON garage (club_id, storeys, code);
			SELECT pg_sleep(2);`)},
		"9002_index.down.sql": {Data: []byte(`DROP INDEX garage_by_storeys;`)},
	}
	names, err := fs.Glob(migrations.Files, "*.sql")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		text, err := fs.ReadFile(migrations.Files, name)
		if err != nil {
			t.Fatal(err)
		}
		all[name] = &fstest.MapFile{Data: text}
	}
	return all
}

// Processes are replaced one by one, and the database is migrated, while people
// read and write: nobody notices.
func TestRollingOutFailsNoRequest(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, joint := millRow(t, db)
	rounds := 1
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		rounds = 20
	}
	begin := func() *process { return start(t, db, "PINWRIGHT_DRAIN_DELAY=1s", "PINWRIGHT_RATE_LIMIT=0") }
	replicas := []*process{begin(), begin()}
	balancing, stopBalancing := context.WithCancel(t.Context())
	defer stopBalancing()
	b, address := newBalancer(balancing, t)
	b.know(replicas[0].address, replicas[1].address)
	for _, p := range replicas {
		waitFor(t, "a process to be ready", func() bool { return b.isReady(p.address) })
	}

	// Whoever writes is told of nothing but success, and so is whoever reads.
	client := &http.Client{Timeout: 30 * time.Second}
	over := insist.Over(client, func() string { return address })
	crowd := &insist.Crowd{Club: "mill-row", Token: club.Secret.Reveal(), Joint: joint, Send: func(r *http.Request) (insist.Answer, error) {
		answer, err := over(r)
		if err != nil || answer.Status != http.StatusCreated || answer.Header.Get("Idempotency-Replayed") != "" {
			b.fault("a write was answered %d %v %s", answer.Status, err, answer.Body)
		}
		return answer, err
	}}
	load, endLoad := context.WithCancel(t.Context())
	var under sync.WaitGroup
	under.Go(func() { crowd.Run(load, 4) })
	reads := make([]int, 2)
	for i := range reads {
		under.Go(func() {
			for ; load.Err() == nil; reads[i]++ {
				if err := read(client, address, club.Secret.Reveal(), []string{"garages", "readings?limit=20", "tools", "me"}[reads[i]%4]); err != nil {
					b.fault("a read: %v", err)
				}
			}
		})
	}
	meanwhile := func() { // load goes on between the steps
		from := crowd.Acknowledged()
		waitFor(t, "writes to be acknowledged", func() bool { return crowd.Acknowledged() > from+5 })
	}

	meanwhile()
	migrated := make(chan error, 1)
	go func() { migrated <- schema.Up(t.Context(), db.OwnerURL, later(t)) }()
	for round := range rounds {
		for i := range replicas {
			if round == 0 && i == 1 {
				if err := <-migrated; err != nil {
					t.Fatalf("migrating under load: %v", err)
				}
			}
			meanwhile()
			if err := replicas[i].cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if code, log := replicas[i].end(t); code != exitOK {
				t.Errorf("a process ended with %d:\n%s", code, log)
			}
			replicas[i] = begin()
			b.know(replicas[0].address, replicas[1].address)
			waitFor(t, "the new process to be ready", func() bool { return b.isReady(replicas[i].address) })
		}
	}
	meanwhile()
	endLoad()
	under.Wait()
	t.Logf("%d replicas replaced: %d reads, %v", 2*rounds, reads[0]+reads[1], crowd)

	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		t.Error(f)
	}
	if b.without > 0 {
		t.Errorf("nobody was ready for %d requests", b.without)
	}
	if reads[0]+reads[1] < 10 {
		t.Errorf("only %d reads; nothing would be proved", reads[0]+reads[1])
	}
	if err := crowd.Compare(t.Context(), db.Owner, club.ClubID); err != nil {
		t.Error(err)
	}
	if v, err := schema.GetVersion(t.Context(), db.OwnerURL); err != nil || v.Number != 9002 || v.Dirty {
		t.Errorf("the database stands at %+v (%v)", v, err)
	}
}

func read(client *http.Client, address, token, path string) error {
	r, err := http.NewRequest("GET", "http://"+address+"/v1/clubs/mill-row/"+path, nil)
	if err != nil {
		return err
	}
	r.Header.Set("Authorization", "Bearer "+token)
	response, err := client.Do(r)
	if err != nil {
		return err
	}
	defer response.Body.Close() //nolint:errcheck // read to its end below
	body, err := io.ReadAll(response.Body)
	if err == nil && response.StatusCode != http.StatusOK {
		err = errors.New(path + ": " + response.Status + " " + string(body))
	}
	return err
}
