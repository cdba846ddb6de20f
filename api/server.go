package api

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/netip"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/otel/trace"

	"pinwright/internal/access"
	"pinwright/internal/picture"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/quota"
)

// Limits bound what one request may take.
type Limits struct {
	Body    int64         // bytes of a request body; default 1 MiB
	Request time.Duration // for a request as a whole; default 15 s
	// Queue is how many requests may wait for a connection; 0 for any number.
	Queue int
	// Rate is how many requests a second one token may make, or one address without
	// a known one, after Burst at once; 0 for no limit.
	Rate, Burst int
	// Upload is for a large body to come in, beside Request; default 60 s.
	Upload time.Duration
	// PhotoSpace is how many bytes a club's photos may take, default 1 GiB;
	// PhotoMemory what all photos that are decoded at once may, default 256 MiB.
	PhotoSpace, PhotoMemory int64
}

// Options are what a server is made of.
type Options struct {
	Pool   *pgxpool.Pool    // as the application role
	Now    func() time.Time // default time.Now
	Log    *slog.Logger     // default slog.Default
	Limits Limits
	// PoolWait bounds the wait for a connection; 0 leaves that to Limits.Request.
	PoolWait time.Duration
	// PublicURL is how clients reach the service, for the links it makes, without
	// a slash at its end.
	PublicURL string
	// Issuer vouches for people beside the service's own tokens; may be nil.
	Issuer Issuer
	// Metrics is where the figures are registered and read from; default a new
	// registry. MetricsApart serves them by the handler Metrics only.
	Metrics      *prometheus.Registry
	MetricsApart bool
	// Tracer makes the spans; nil traces nothing.
	Tracer trace.Tracer
	// Build is shown by the figures.
	Build Build
	// TrustedProxies are the networks whose X-Forwarded-For is believed.
	TrustedProxies []netip.Prefix
	// Heads is told where a club's journal stands after each write; may be nil.
	Heads func(club uuid.UUID, seq int64, hash []byte)
	// Freed is told after each write upon which somebody may be offered what they wait
	// for; may be nil.
	Freed func(club uuid.UUID)
	// Ready reports why the service cannot serve, beside the database; may be nil.
	Ready func(ctx context.Context) error
	// Beside tells of what runs beside the requests, by name, in the answer about
	// readiness, which it does not decide.
	Beside map[string]func() string
}

// Build is which program runs.
type Build struct {
	Version, Revision string
	Schema            int // the migration that it needs
}

// Server serves the contract.
type Server struct {
	contract *contract
	sendable sendable
	db       *postgres.DB
	now      func() time.Time
	log      *slog.Logger
	limits   Limits
	wait     time.Duration // for a connection
	metrics  *metrics
	tracer   trace.Tracer
	ready    func(ctx context.Context) error
	beside   map[string]func() string
	echo     *echo.Echo
	quota    *quota.Quota // nil without a limit
	proxies  []netip.Prefix
	safe     http.Header // of every answer
	// publicURL is how clients reach the service; empty when it is not known.
	publicURL string
	issuer    Issuer
	freed     func(club uuid.UUID) // may be nil
	shedAt    atomic.Int64         // Unix second of the last line logged about shedding
	draining  atomic.Bool
	// answeredAt is when the database last answered what a request asked of it, in
	// nanoseconds of the real clock.
	answeredAt atomic.Int64
	fitted     atomic.Bool // the tables were seen to fit this program
	used       sync.Map    // token id → day its use was noted
	// cleanUps holds a place for each clean-up question being worked on: they take
	// long and are open to everyone, so they must not take all processors.
	cleanUps chan struct{}
	darkroom *picture.Room
}

// New makes a server; it serves nothing until its Handler is used.
func New(o Options) (*Server, error) {
	doc, err := document()
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	return newServer(o, doc)
}

// newServer serves a contract that has the operations of the generated one.
func newServer(o Options, doc *openapi3.T) (*Server, error) {
	c, err := loadContract(doc)
	if err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Limits.Body == 0 {
		o.Limits.Body = 1 << 20
	}
	if o.Limits.Request == 0 {
		o.Limits.Request = 15 * time.Second
	}
	o.Limits.Upload = cmp.Or(o.Limits.Upload, time.Minute)
	o.Limits.PhotoSpace = cmp.Or(o.Limits.PhotoSpace, 1<<30)
	o.Limits.PhotoMemory = cmp.Or(o.Limits.PhotoMemory, 256<<20)
	if o.Metrics == nil {
		o.Metrics = prometheus.NewRegistry()
	}
	s := &Server{contract: c, sendable: newSendable(c), now: o.Now, log: o.Log, limits: o.Limits, ready: o.Ready, beside: o.Beside, metrics: newMetrics(o.Metrics), tracer: o.Tracer,
		proxies: o.TrustedProxies, safe: safeHeaders(o.PublicURL), publicURL: o.PublicURL, issuer: o.Issuer, freed: o.Freed, wait: o.PoolWait,
		cleanUps: make(chan struct{}, max(1, runtime.GOMAXPROCS(0)/2)),
		darkroom: picture.NewRoom(o.Limits.PhotoMemory, max(1, runtime.GOMAXPROCS(0)/2))}
	s.db = &postgres.DB{Pool: o.Pool, Wait: o.PoolWait, Watch: watch{s}, Heads: o.Heads}
	if o.Limits.Queue > 0 {
		s.db.Room = int(o.Pool.Config().MaxConns) + o.Limits.Queue
	}
	if o.Limits.Rate > 0 {
		if s.quota, err = quota.New(float64(o.Limits.Rate), o.Limits.Burst); err != nil {
			return nil, err
		}
	}
	if o.Pool != nil {
		o.Metrics.MustRegister(poolFigures{o.Pool})
	}
	s.about(o.Metrics, o.Build)
	s.takeSheets()
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.HTTPErrorHandler = s.fail
	e.Use(s.guard, s.observe, s.cross, s.announce, s.ration)
	if err := s.pages(e); err != nil {
		return nil, err
	}
	if !o.MetricsApart {
		e.GET("/metrics", echo.WrapHandler(s.Metrics()))
	}
	RegisterHandlers(alsoHead{e}, s)
	s.echo = e
	return s, nil
}

// alsoHead takes HEAD wherever GET is taken (RFC 9110, 9.1): it runs the same
// and is answered without the body.
type alsoHead struct{ *echo.Echo }

// GET registers a handler for GET and HEAD.
func (e alsoHead) GET(path string, h echo.HandlerFunc, m ...echo.MiddlewareFunc) *echo.Route {
	e.HEAD(path, h, m...)
	return e.Echo.GET(path, h, m...)
}

// Metrics serves the figures, for an address of their own.
func (s *Server) Metrics() http.Handler {
	return promhttp.HandlerFor(s.metrics.registry, promhttp.HandlerOpts{})
}

// Handler is the whole service.
func (s *Server) Handler() http.Handler { return http.HandlerFunc(s.serveOrShed) }

// Drain makes readiness fail, so that a balancer sends nobody here any more;
// requests under way and those that still come are served.
func (s *Server) Drain() { s.draining.Store(true) }

// noteUse writes the day of a token's use, once a day, outside the request:
// losing it loses nothing but that date.
func (s *Server) noteUse(in *call) {
	if in.op.Code != "" {
		return
	}
	today := in.now.UTC().Truncate(24 * time.Hour)
	if in.caller.UsedOn != nil && !in.caller.UsedOn.Before(today) {
		return
	}
	if day, ok := s.used.Swap(in.caller.TokenID, today); ok && day == today {
		return
	}
	club, caller := in.club, in.caller
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		err := s.db.Write(ctx, club, today, func(*postgres.Batch) {}, func(tx *postgres.Tx) error {
			access.NoteUse(tx, caller, today)
			return nil
		})
		if err != nil {
			s.used.Delete(caller.TokenID)
			if problem.Is(err, problem.Unavailable) {
				return // the next request tries again
			}
			s.log.Warn("use of a token was not noted", "error", err)
		}
	}()
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }
