package api_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	toxiproxy "github.com/Shopify/toxiproxy/v2"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/rs/zerolog"

	"pinwright/api"
	"pinwright/internal/insist"
	"pinwright/internal/pgtest"
	"pinwright/internal/specimen"
)

// way is the way to the database over TCP, with a proxy on it that can spoil it.
type way struct {
	proxy *toxiproxy.Proxy
	mu    sync.Mutex
	dial  func() (net.Conn, error) // to the server, wherever it is now
}

// layWay lays a way to where dial leads.
func layWay(t testing.TB, dial func() (net.Conn, error)) *way {
	t.Helper()
	// Private clusters listen on a Unix socket only, and the proxy knows TCP only.
	relay, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = relay.Close() })
	w := &way{dial: dial}
	go func() {
		for {
			near, err := relay.Accept()
			if err != nil {
				return
			}
			go w.carry(near)
		}
	}()
	w.proxy = toxiproxy.NewProxy(toxiproxy.NewServer(toxiproxy.NewMetricsContainer(nil), zerolog.Nop()), "database", "127.0.0.1:0", relay.Addr().String())
	if err := w.proxy.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.proxy.Stop)
	return w
}

func (w *way) carry(near net.Conn) {
	defer near.Close() //nolint:errcheck // one of two ends that close each other
	w.mu.Lock()
	dial := w.dial
	w.mu.Unlock()
	far, err := dial()
	if err != nil {
		return
	}
	go func() {
		_, _ = io.Copy(far, near)
		_ = far.Close()
	}()
	_, _ = io.Copy(near, far)
}

// spoil adds a toxic to the way and returns what takes it off.
func (w *way) spoil(t testing.TB, toxic string) (mend func()) {
	t.Helper()
	added, err := w.proxy.Toxics.AddToxicJson(strings.NewReader(toxic))
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := w.proxy.Toxics.RemoveToxic(context.Background(), added.Name); err != nil {
			t.Error(err)
		}
	}
}

// pool is a pool whose connections go this way.
func (w *way) pool(t testing.TB, url string) *pgxpool.Pool {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	cfg.MaxConns = 4
	cfg.ConnConfig.DialFunc = func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "tcp", w.proxy.Listen)
	}
	pool, err := pgxpool.NewWithConfig(context.Background(), cfg) // outlives t.Context, which ends before Cleanup
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// dialer dials the server of url as pgx would.
func dialer(t testing.TB, url string) func() (net.Conn, error) {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	at, network := fmt.Sprintf("%s:%d", cfg.ConnConfig.Host, cfg.ConnConfig.Port), "tcp"
	if strings.HasPrefix(cfg.ConnConfig.Host, "/") {
		at, network = fmt.Sprintf("%s/.s.PGSQL.%d", cfg.ConnConfig.Host, cfg.ConnConfig.Port), "unix"
	}
	return func() (net.Conn, error) { return net.Dial(network, at) }
}

// crowded is a world on that way with a crowd that writes into it.
func crowded(t testing.TB, db *pgtest.DB, w *way) (*world, *insist.Crowd) {
	t.Helper()
	k := newWorldOn(t, db, w.pool(t, db.AppURL), func(o *api.Options) { o.Limits.Request = time.Second })
	things, err := specimen.Fill(t.Context(), db.Owner, k.club.ClubID, "crowd")
	if err != nil {
		t.Fatal(err)
	}
	return k, &insist.Crowd{Send: insist.Through(k.handler), Club: k.slug, Token: k.officer, Joint: things.ID["joint"].String()}
}

// faultTime is how long each fault lasts: short in every run, longer in the long
// ones.
func faultTime() time.Duration {
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		return 5 * time.Second
	}
	return 300 * time.Millisecond
}

func TestNothingAcknowledgedIsLostOnASpoiltWayToTheDatabase(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	w := layWay(t, dialer(t, db.AppURL))
	k, crowd := crowded(t, db, w)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); crowd.Run(ctx, 8) }()
	for _, toxic := range []string{
		`{"type":"latency","stream":"downstream","attributes":{"latency":20,"jitter":20}}`,
		`{"type":"latency","stream":"upstream","attributes":{"latency":20,"jitter":20}}`,
		`{"type":"reset_peer","stream":"downstream","attributes":{"timeout":0}}`,
		`{"type":"reset_peer","stream":"upstream","attributes":{"timeout":30}}`,
		`{"type":"timeout","stream":"downstream","attributes":{"timeout":100}}`, // swallows answers, then cuts
		`{"type":"timeout","stream":"upstream","attributes":{"timeout":0}}`,     // swallows requests and never cuts
		`{"type":"slow_close","stream":"downstream","attributes":{"delay":200}}`,
		`{"type":"limit_data","stream":"downstream","attributes":{"bytes":3000}}`, // cuts in the midst of answers
		`{"type":"limit_data","stream":"upstream","attributes":{"bytes":3000}}`,   // and of statements
		`{"type":"slicer","stream":"downstream","attributes":{"average_size":16,"size_variation":8,"delay":10}}`,
		`{"type":"bandwidth","stream":"downstream","attributes":{"rate":40}}`,
	} {
		mend := w.spoil(t, toxic)
		time.Sleep(faultTime())
		mend()
		recovers(t, crowd, toxic)
	}
	stop()
	<-done
	t.Log(crowd)
	if err := crowd.Compare(t.Context(), db.Owner, k.club.ClubID); err != nil {
		t.Error(err)
	}
}

// recovers holds that writes are acknowledged again, by the same process.
func recovers(t *testing.T, crowd *insist.Crowd, after string) {
	t.Helper()
	for from, late := crowd.Acknowledged(), time.Now().Add(30*time.Second); crowd.Acknowledged() < from+20; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(late) {
			t.Fatalf("30 s after %s writes are not acknowledged again: %v", after, crowd)
		}
	}
}

// BenchmarkTenMilliseconds tells what operations cost when the database is ten
// milliseconds away: about ten for each round trip.
func BenchmarkTenMilliseconds(b *testing.B) {
	db := pgtest.New(b)
	w := layWay(b, dialer(b, db.AppURL))
	k, crowd := crowded(b, db, w)
	mend := w.spoil(b, `{"type":"latency","stream":"downstream","attributes":{"latency":10,"jitter":0}}`)
	defer mend()
	for _, op := range []struct {
		name string
		ask  func() int
	}{
		{"read (1 trip)", func() int { return k.do("GET", k.at("joints/"+crowd.Joint), k.officer, nil).status }},
		{"write (2 trips)", func() int {
			return k.do("POST", k.at("garages"), k.officer, map[string]any{"code": newID(), "name": "Yard", "time_zone": "UTC"}).status
		}},
	} {
		b.Run(op.name, func(b *testing.B) {
			for range 8 {
				op.ask() // prepares on each connection
			}
			for b.Loop() {
				if got := op.ask(); got >= http.StatusMultipleChoices {
					b.Fatal(got)
				}
			}
		})
	}
}
