package api_test

import (
	"context"
	"fmt"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
)

// trips counts round trips to the database twice: as the driver tells them (a
// batch or a query each is one, preparing is none) and as they pass the socket
// (each time something is sent after something was received). Once all statements
// are prepared both must agree.
type trips struct {
	told   atomic.Int64
	socket atomic.Int64
}

func (c *trips) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.told.Add(1)
	return ctx
}

func (c *trips) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (c *trips) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	c.told.Add(1)
	return ctx
}

func (c *trips) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

func (c *trips) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

// watched is a connection whose turns from receiving to sending are counted.
type watched struct {
	net.Conn
	trips    *trips
	awaiting atomic.Bool // something was sent and nothing received since
}

func (w *watched) Write(b []byte) (int, error) {
	if w.awaiting.CompareAndSwap(false, true) {
		w.trips.socket.Add(1)
	}
	return w.Conn.Write(b)
}

func (w *watched) Read(b []byte) (int, error) {
	n, err := w.Conn.Read(b)
	if n > 0 {
		w.awaiting.Store(false)
	}
	return n, err
}

// countedPool is a pool of one connection, so that what is prepared once stays
// prepared, whose round trips are counted.
func countedPool(t *testing.T, url string) (*pgxpool.Pool, *trips) {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	counted := &trips{}
	cfg.MaxConns = 1
	// A connection that stood idle is pinged before its next use, which is not the
	// request's trip.
	cfg.ShouldPing = func(context.Context, pgxpool.ShouldPingParams) bool { return false }
	cfg.ConnConfig.Tracer = counted
	dial := cfg.ConnConfig.DialFunc
	cfg.ConnConfig.DialFunc = pgconn.DialFunc(func(ctx context.Context, network, addr string) (net.Conn, error) {
		conn, err := dial(ctx, network, addr)
		return &watched{Conn: conn, trips: counted}, err
	})
	pool, err := pgxpool.NewWithConfig(context.Background(), cfg) // outlives t.Context, which ends before Cleanup
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool, counted
}

// roundTrips lists what each operation may cost. A row's request must succeed
// every time; it gets the number of its turn, to make names of its own. To hold
// another operation, add a row, and to roundTripWorld what it needs.
var roundTrips = []struct {
	operation string
	trips     int64
	request   func(w *world, turn int) *response
}{
	{"getClub", 1, func(w *world, _ int) *response { return w.do("GET", "/v1/clubs/"+w.slug, w.officer, nil) }},
	{"getMe", 1, func(w *world, _ int) *response { return w.do("GET", w.at("me"), w.officer, nil) }},
	{"listGarages", 1, func(w *world, _ int) *response { return w.do("GET", w.at("garages?limit=1"), w.officer, nil) }},
	{"getGarage", 1, func(w *world, _ int) *response { return w.do("GET", w.at("garages/north"), w.officer, nil) }},
	{"createGarage", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("garages"), w.officer, map[string]any{"code": fmt.Sprint("g", turn), "name": "Yard", "time_zone": "UTC"})
	}},
	{"patchGarage", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("garages/north"), w.officer, map[string]any{"name": fmt.Sprint("Yard ", turn)}, header{"If-Match", "*"})
	}},
	{"listMembers", 1, func(w *world, _ int) *response { return w.do("GET", w.at("members"), w.officer, nil) }},
	{"createMember", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("members"), w.officer, map[string]any{"number": fmt.Sprint("m", turn), "name": "Member", "garage": "north"})
	}},
	{"eraseMember", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at(fmt.Sprint("members/goes", turn, "/erase")), w.officer, map[string]any{"reason": "left"})
	}},
	{"createToken", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "phone", "member": "M1"})
	}},
	{"createInvitation", 2, func(w *world, _ int) *response { return w.invite(row{"number": "guest", "garage": "north"}) }},
	{"acceptInvitation", 2, func(w *world, turn int) *response { return w.accept(w.guests[turn]) }},
	{"listInvitations", 1, func(w *world, _ int) *response { return w.do("GET", w.at("invitations"), w.officer, nil) }},
	{"createPairing", 2, func(w *world, _ int) *response { return w.pair(w.officer, nil) }},
	{"listToolModels", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tool-models?kind=reamer"), w.officer, nil) }},
	{"getToolModel", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tool-models/R8"), w.officer, nil) }},
	{"createToolModel", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("tool-models"), w.officer, map[string]any{"code": fmt.Sprint("tm", turn), "name": "Reamer", "kind": "reamer", "size": "8 mm"})
	}},
	{"patchToolModel", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("tool-models/R8"), w.officer, map[string]any{"name": fmt.Sprint("Reamer ", turn)}, header{"If-Match", "*"})
	}},
	{"listTools", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools?garage=north&model=MIC&kind=micrometer&state=in_service"), w.officer, nil)
	}},
	{"getTool", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/M7"), w.officer, nil) }},
	{"createTool", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("tools"), w.officer, map[string]any{"number": fmt.Sprint("t", turn), "model": "R8", "garage": "north"})
	}},
	{"patchTool", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("tools/M7"), w.officer, map[string]any{"note": fmt.Sprint("turn ", turn), "garage": "north"}, header{"If-Match", "*"})
	}},
	{"listCalibrations", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools/M7/calibrations"), w.officer, nil)
	}},
	{"createCalibration", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("tools/M7/calibrations"), w.officer, map[string]any{"calibrated_on": "2025-03-01", "expanded_uncertainty": "2 um"})
	}},
	{"getAvailability", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("availability?tool=M7&tool_model=MIC&tool_model=R8"), w.officer, nil)
	}},
	{"createReservation", 2, func(w *world, turn int) *response {
		return w.reserve(w.officer, turn*10, turn*10+2, toolLine("M7"))
	}},
	{"createReservation of a model", 2, func(w *world, turn int) *response {
		return w.reserve(w.officer, turn*10+5, turn*10+7, modelLine("MIC"))
	}},
	{"listReservations", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("reservations?tool=M7&member=M1&limit=1"), w.officer, nil)
	}},
	{"listImports", 1, func(w *world, _ int) *response { return w.do("GET", w.at("imports?limit=1"), w.officer, nil) }},
	{"createImport", 2, func(w *world, turn int) *response {
		return w.bring(w.officer, "members", "", fmt.Sprintf("number,name,garage\ni%d,A,north\nj%d,B,north\n", turn, turn))
	}},
	{"createImport of tools and their models", 2, func(w *world, turn int) *response {
		return w.bring(w.officer, "tools", "", fmt.Sprintf("number,model,garage,kind,size (mm)\ni%d,im%d,north,reamer,8\n", turn, turn))
	}},
	{"createImport of readings, whose ids are made of their content", 3, func(w *world, turn int) *response {
		return w.bring(w.officer, "readings", "", fmt.Sprintf("date,joint,value (mm),with\n2026-05-%02d,only,8,caliper\n", turn+1))
	}},
	{"createImport and revertImport, three of them", 5, func(w *world, turn int) *response {
		return w.revert(w.officer, w.bring(w.officer, "members", "", fmt.Sprintf("number,name\nk%d,A\n", turn)).want(201))
	}},
	{"listReadings", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("readings?vehicle=coupe&joint=only&instrument=C1&from=2026-01-01T00:00:00Z"), w.officer, nil)
	}},
	{"getReading", 1, func(w *world, _ int) *response { return w.do("GET", w.at("readings/"+readingOf(0)), w.officer, nil) }},
	{"createReadings", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("readings"), w.officer, map[string]any{"id": newID(), "joint": "only", "gauge": "G318", "result": "go"})
	}},
	{"createReadings (a batch)", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("readings"), w.officer, map[string]any{"readings": []any{with(gauged, row{"id": newID()}), with(measured, row{"id": newID()}), gauged, row{"joint": "nowhere"}}})
	}},
	{"voidReading", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("readings/"+readingOf(turn)+"/void"), w.officer, map[string]any{"reason": "slipped"})
	}},
	{"replaceReading", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("readings/"+readingOf(3+turn)+"/replace"), w.officer, map[string]any{"reason": "slipped", "reading": gauged})
	}},
}

// readingOf is the id of one of the readings that roundTripWorld has.
func readingOf(n int) string { return fmt.Sprintf("01890000-0000-7000-8000-00000000000%d", n) }

// roundTripWorld has what the rows of roundTrips name, and every request of
// theirs costs only what it costs while the service runs: the day of the token's
// use, which is noted beside the first request, is noted already, and the sweep
// of old answers, which one write in 256 pays for (by the end of its key), is
// prepared.
func roundTripWorld(t *testing.T) (*world, *trips) {
	t.Helper()
	db := pgtest.New(t)
	pool, counted := countedPool(t, db.AppURL)
	w := newWorldOn(t, db, pool)
	stock(w)
	benchIn(w)
	for n := range 6 {
		w.do("POST", w.at("readings"), w.officer, with(measured, row{"id": readingOf(n)})).want(201)
	}
	for n := range 3 {
		w.do("POST", w.at("members"), w.officer, map[string]any{"number": fmt.Sprint("goes", n), "name": "Member"}).want(201)
	}
	w.do("POST", w.at("tools"), w.officer, map[string]any{"number": "M7", "model": "MIC", "garage": "north"}, header{"Idempotency-Key", newID()[:34] + "00"}).want(201)
	for range 3 {
		w.guests = append(w.guests, w.invite(nil).str("code"))
	}
	for noted := false; !noted; time.Sleep(time.Millisecond) {
		if err := db.Owner.QueryRow(t.Context(), `select used_on is not null from token where hash = $1`, w.club.Secret.Hash()).Scan(&noted); err != nil {
			t.Fatal(err)
		}
	}
	return w, counted
}

func TestRoundTripsToTheDatabase(t *testing.T) {
	t.Parallel()
	w, counted := roundTripWorld(t)
	for _, row := range roundTrips {
		t.Run(fmt.Sprintf("%s costs %d", row.operation, row.trips), func(t *testing.T) {
			for turn := range 2 { // the first prepares, of a write also its second half
				if r := row.request(w, turn); r.status >= 300 {
					t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
				}
			}
			told, socket := counted.told.Load(), counted.socket.Load()
			if r := row.request(w, 2); r.status >= 300 {
				t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
			}
			told, socket = counted.told.Load()-told, counted.socket.Load()-socket
			if told != row.trips || socket != row.trips {
				t.Errorf("%s took %d round trips as the driver tells and %d as the socket shows, want %d", row.operation, told, socket, row.trips)
			}
		})
	}
}

func TestRoundTripsAreToldByTheDriverAndSeenOnTheSocket(t *testing.T) {
	t.Parallel()
	pool, counted := countedPool(t, pgtest.New(t).AppURL)
	ten := func(sql string) func() error {
		return func() error {
			b := &pgx.Batch{}
			for range 10 {
				b.Queue(sql)
			}
			return pool.SendBatch(t.Context(), b).Close()
		}
	}
	query := func() error {
		_, err := pool.Exec(t.Context(), `select 1`)
		return err
	}
	if err := query(); err != nil { // connects
		t.Fatal(err)
	}
	for _, row := range []struct {
		name         string
		send         func() error
		told, socket int64
	}{
		{"a query", query, 1, 1},
		{"a batch of ten that is prepared on the way", ten(`select 2`), 1, 2},
		{"the same batch once it is prepared", ten(`select 2`), 1, 1},
	} {
		told, socket := counted.told.Load(), counted.socket.Load()
		if err := row.send(); err != nil {
			t.Fatal(err)
		}
		if told, socket = counted.told.Load()-told, counted.socket.Load()-socket; told != row.told || socket != row.socket {
			t.Errorf("%s is told as %d and seen as %d round trips, want %d and %d", row.name, told, socket, row.told, row.socket)
		}
	}
}
