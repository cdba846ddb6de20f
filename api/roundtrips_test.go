package api_test

import (
	"context"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
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
	{"listClosures", 1, func(w *world, _ int) *response { return w.do("GET", w.at("closures?state=stands"), w.officer, nil) }},
	{"createClosure", 2, func(w *world, turn int) *response {
		day := w.clock.now().AddDate(0, 0, turn+1).Format(time.DateOnly)
		return w.do("POST", w.at("closures"), w.officer, map[string]any{"garage": "north", "first_day": day, "last_day": day})
	}},
	{"listTravelTimes", 1, func(w *world, _ int) *response { return w.do("GET", w.at("travel-times"), w.officer, nil) }},
	{"putTravelTimes", 2, func(w *world, _ int) *response {
		return w.do("PUT", w.at("travel-times"), w.officer, map[string]any{"travel_times": []row{}})
	}},
	{"listMembers", 1, func(w *world, _ int) *response { return w.do("GET", w.at("members"), w.officer, nil) }},
	{"createMember", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("members"), w.officer, map[string]any{"number": fmt.Sprint("m", turn), "name": "Member", "garage": "north"})
	}},
	{"createGuest", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("guests"), w.officer, row{"number": fmt.Sprint("v", turn), "name": "Visitor", "host": "M1", "garage": "north", "last_day": w.dayAhead(3)})
	}},
	{"extendStay", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("members/v1/extend-stay"), w.officer, row{"last_day": w.dayAhead(4 + turn)})
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
	{"createCalendar", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("calendars"), w.officer, row{"id": newID(), "of": "tool", "tool": "M7"})
	}},
	{"listCalendars", 1, func(w *world, _ int) *response { return w.do("GET", w.at("calendars"), w.officer, nil) }},
	{"getCalendarFeed", 1, func(w *world, _ int) *response { return w.do("GET", w.feed, "", nil) }},
	{"createFormPrior", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("form-priors"), w.officer, map[string]any{"template": "door-hinge", "shape": "bore"})
	}},
	{"listFormPriors", 1, func(w *world, _ int) *response { return w.do("GET", w.at("form-priors"), w.officer, nil) }},
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
	{"listTools by bore and when they are free", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools?garage=north&bore=8+mm&size_from=7+mm&free_from=2026-12-01T08:00:00Z&free_until=2026-12-02T08:00:00Z"), w.officer, nil)
	}},
	{"getToolLabels", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tool-labels?tool=M7&garage=north"), w.officer, nil)
	}},
	{"listKits", 1, func(w *world, _ int) *response { return w.do("GET", w.at("kits?limit=1"), w.officer, nil) }},
	{"getKit", 1, func(w *world, _ int) *response { return w.do("GET", w.at("kits/box"), w.officer, nil) }},
	{"createKit", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("kits"), w.officer, row{"code": fmt.Sprint("kit", turn), "name": "Kit", "parts": []row{fixed("M7"), anyOf("R8")}})
	}},
	{"patchKit", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("kits/box"), w.officer, row{"name": fmt.Sprint("Kit ", turn), "parts": []row{anyOf("R8"), fixed("M7")}}, header{"If-Match", "*"})
	}},
	{"retireKit and bringKitBack, two each", 4, func(w *world, _ int) *response {
		w.do("POST", w.at("kits/box/retire"), w.officer, nil).want(200)
		return w.do("POST", w.at("kits/box/bring-back"), w.officer, nil)
	}},
	{"getTool", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/M7"), w.officer, nil) }},
	{"createTool", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("tools"), w.officer, map[string]any{"number": fmt.Sprint("t", turn), "model": "R8", "garage": "north"})
	}},
	{"patchTool", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("tools/M7"), w.officer, map[string]any{"note": fmt.Sprint("turn ", turn), "garage": "north"}, header{"If-Match", "*"})
	}},
	{"getGarageDay", 1, func(w *world, _ int) *response { return w.do("GET", w.at("garages/north/today"), w.officer, nil) }},
	{"getCupboardSheet", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("garages/north/cupboard-sheet"), w.officer, nil)
	}},
	{"listToolHistory", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/M7/history"), w.officer, nil) }},
	{"getToolTimelinePicture", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools/M7/timeline/picture"), w.officer, nil)
	}},
	{"getWallChartPicture", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("wall-chart/picture?garage=north"), w.officer, nil)
	}},
	{"listCalibrations", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools/M7/calibrations"), w.officer, nil)
	}},
	{"createCalibration", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("tools/M7/calibrations"), w.officer, map[string]any{"calibrated_on": "2025-03-01", "expanded_uncertainty": "2 um"})
	}},
	{"listToolStudies", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools/M7/studies"), w.officer, nil)
	}},
	{"createToolStudy", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("tools/M7/studies"), w.officer, twoReadings)
	}},
	{"getGaugeStudy", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("gauge-studies/"+w.study), w.officer, nil)
	}},
	{"getToolDrift", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("tools/M7/drift"), w.officer, nil)
	}},

	{"getAvailability", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("availability?tool=M7&tool_model=MIC&tool_model=R8"), w.officer, nil)
	}},
	{"createReservation", 2, func(w *world, turn int) *response {
		return w.reserve(w.officer, 480+turn*10, 482+turn*10, toolLine("M7")) // behind the days that are closed above
	}},
	{"createReservation of a model", 2, func(w *world, turn int) *response {
		return w.reserve(w.officer, 485+turn*10, 487+turn*10, modelLine("MIC"))
	}},
	{"joinWaitingList", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("waiting-list"), w.officer, with(w.waitFor(1000, 1400, 4, toolLine("M7"), modelLine("MIC")), row{"member": "waits"}))
	}},
	{"listWaitingEntries", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("waiting-list?tool=M7&member=waits&state=waiting&limit=1"), w.officer, nil)
	}},
	{"getWaitingEntry", 1, func(w *world, turn int) *response { return w.do("GET", w.waits[turn], w.officer, nil) }},
	{"acceptWaitingOffer", 3, func(w *world, turn int) *response { return w.do("POST", w.waits[turn]+"/accept", w.officer, nil) }},
	{"declineWaitingOffer", 3, func(w *world, turn int) *response { return w.do("POST", w.waits[3+turn]+"/decline", w.officer, nil) }},
	{"leaveWaitingList", 2, func(w *world, turn int) *response { return w.do("POST", w.waits[6+turn]+"/leave", w.officer, nil) }},
	{"changeReservation", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("reservations/"+w.booked+"/change"), w.officer, map[string]any{"period": w.period(200+turn*10, 202+turn*10)})
	}},
	{"getLendingRules", 1, func(w *world, _ int) *response { return w.do("GET", w.at("lending-rules"), w.officer, nil) }},
	{"patchLendingRules", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("lending-rules"), w.officer, map[string]any{"at_once": 100 + turn}, header{"If-Match", "*"})
	}},
	{"createCertificate", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("certificates"), w.officer, map[string]any{"member": "M1", "tool_model": "MIC"})
	}},
	{"listCertificates", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("certificates?member=M1&tool_model=MIC&limit=1"), w.officer, nil)
	}},
	{"listReservations", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("reservations?tool=M7&member=M1&limit=1"), w.officer, nil)
	}},
	{"listReminders", 1, func(w *world, _ int) *response { return w.do("GET", w.at("reminders"), w.officer, nil) }},
	{"getContact", 1, func(w *world, _ int) *response { return w.do("GET", w.at("members/M1/contact"), w.officer, nil) }},
	{"patchContact", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("members/M1/contact"), w.officer, map[string]any{"hours_before": 10 + turn}, header{"If-Match", "*"})
	}},
	{"createPayment", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("payments"), w.as("treasurer"), row{"member": "M1", "amount": money(5)})
	}},
	{"createCharge", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("charges"), w.as("treasurer"), row{"member": "M1", "tool": "M7", "reason": "use", "amount": money(5)})
	}},
	{"listLedgerEntries", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("ledger/entries?member=M1&tool=M7&limit=1"), w.as("treasurer"), nil)
	}},
	{"listLedgerAccounts", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("ledger/accounts"), w.as("treasurer"), nil)
	}},
	{"getStatement", 1, func(w *world, _ int) *response { return w.do("GET", w.at("members/M1/statement"), w.officer, nil) }},
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
	{"listJointEvents", 1, func(w *world, _ int) *response { return w.do("GET", w.at("joints/only/events"), w.officer, nil) }},
	{"createJointEvent", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("joints/only/events"), w.officer, row{"kind": "lubricated", "occurred_at": "2026-05-01T10:00:00Z"})
	}},
	{"listDistances", 1, func(w *world, _ int) *response { return w.do("GET", w.at("vehicles/coupe/distances"), w.officer, nil) }},
	{"createDistance", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("vehicles/coupe/distances"), w.officer, row{"shown": 1000 + turn, "unit": "km", "taken_at": fmt.Sprintf("2026-05-0%dT10:00:00Z", turn+1)})
	}},
	{"createSupplier", 2, func(w *world, turn int) *response {
		return w.do("POST", w.at("suppliers"), w.officer, row{"code": fmt.Sprint("s", turn), "name": "Supplier"})
	}},
	{"listSuppliers", 1, func(w *world, _ int) *response { return w.do("GET", w.at("suppliers"), w.officer, nil) }},
	{"getSupplier", 1, func(w *world, _ int) *response { return w.do("GET", w.at("suppliers/fallow"), w.officer, nil) }},
	{"patchSupplier", 2, func(w *world, turn int) *response {
		return w.do("PATCH", w.at("suppliers/fallow"), w.officer, row{"stated_days": turn}, header{"If-Match", "*"})
	}},
	{"createPartsOrder, createPartsArrival, voidPartsArrival and cancelPartsOrder", 8, func(w *world, _ int) *response {
		o := w.do("POST", w.at("parts-orders"), w.officer, row{"supplier": "fallow", "lines": []row{{"what": "Oil", "quantity": 1}}}).want(201)
		came := w.do("POST", w.at("parts-orders/"+o.str("id")+"/arrivals"), w.officer, row{}).want(201)
		w.do("POST", w.at("parts-arrivals/"+came.str("arrivals", 0, "id")+"/void"), w.officer, nil).want(200)
		return w.do("POST", w.at("parts-orders/"+o.str("id")+"/cancel"), w.officer, nil)
	}},
	{"getRepairParts", 1, func(w *world, _ int) *response { return w.do("GET", w.at("repairs/R4/parts"), w.officer, nil) }},
	{"createVerification", 2, func(w *world, _ int) *response {
		return w.do("POST", w.at("repairs/R4/verifications"), w.officer, row{"joint": "only", "step": "standard", "pin_series": "hinge-8"})
	}},
	{"listVerifications", 1, func(w *world, _ int) *response { return w.do("GET", w.at("repairs/R4/verifications"), w.officer, nil) }},
	{"createNonconformity and decideNonconformity", 4, func(w *world, _ int) *response {
		n := w.do("POST", w.at("repairs/R4/nonconformities"), w.officer, row{"joint": "only", "kind": "chip_jam"}).want(201)
		return w.do("POST", w.at("repairs/R4/nonconformities/"+n.str("id")+"/decide"), w.officer, row{"option": "cut_again"})
	}},
	{"listNonconformities", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("repairs/R4/nonconformities"), w.officer, nil)
	}},
	{"listPartsOrders", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("parts-orders?supplier=fallow&state=cancelled"), w.officer, nil)
	}},
	{"getCutSize", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/W8/cut-size"), w.officer, nil) }},
	{"getToolModelLife", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tool-models/R8/life"), w.officer, nil) }},
	{"getWearByCutting", 1, func(w *world, _ int) *response { return w.do("GET", w.at("reports/wear-by-cutting"), w.officer, nil) }},
	{"getToolChart", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/M7/chart"), w.officer, nil) }},
	{"createHandout of what nobody reserved, createReturn, getLoanCharge and chargeLoan", 9, func(w *world, turn int) *response {
		out := w.do("POST", w.at("handouts"), w.officer, row{"member": "M1", "tools": []row{{"tool": fmt.Sprint("lent", turn)}}}).want(201)
		w.do("POST", w.at("returns"), w.officer, row{"garage": "north", "tools": []row{{"tool": fmt.Sprint("lent", turn), "parts": 1}}}).want(201)
		at := w.at("loans/" + out.str("loans", 0, "id") + "/charge")
		w.do("GET", at, w.officer, nil).want(200)
		return w.do("POST", at, w.as("treasurer"), row{"damage": row{"amount": money(5), "note": "scratched"}})
	}},
	{"createHandout of two tools, undoHandout", 6, func(w *world, turn int) *response {
		out := w.do("POST", w.at("handouts"), w.officer, row{"member": "M1", "tools": []row{{"tool": fmt.Sprint("more", turn)}, {"tool": fmt.Sprint("most", turn)}}}).want(201)
		return w.do("POST", w.at("handouts/"+out.str("id")+"/undo"), w.officer, nil)
	}},
	{"createHandout, createReturn of something bad, undoReturn, extendLoan and loseLoan", 15, func(w *world, turn int) *response {
		out := w.do("POST", w.at("handouts"), w.officer, row{"member": "M1", "days": 1, "tools": []row{{"tool": fmt.Sprint("gone", turn)}}}).want(201)
		back := w.do("POST", w.at("returns"), w.officer, row{"garage": "north", "tools": []row{{"tool": fmt.Sprint("gone", turn), "condition": "damaged"}}}).want(201)
		w.do("POST", w.at("returns/"+back.str("id")+"/undo"), w.officer, nil).want(200)
		at := w.at("loans/" + out.str("loans", 0, "id"))
		w.do("POST", at+"/extend", w.officer, row{"until": w.clock.now().Add(144 * time.Hour)}).want(200)
		return w.do("POST", at+"/lost", w.officer, nil)
	}},
	{"listLoans", 1, func(w *world, _ int) *response {
		return w.do("GET", w.at("loans?member=M1&tool=M7&state=open"), w.officer, nil)
	}},
	{"createInspection", 3, func(w *world, _ int) *response {
		return w.do("POST", w.at("tools/M7/inspections"), w.officer, row{"verdict": "good"})
	}},
	{"listInspections", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/M7/inspections"), w.officer, nil) }},
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
	w.alwaysOpen()
	benchIn(w)
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Fallow Pins"}).want(201)
	for n := range 6 {
		w.do("POST", w.at("readings"), w.officer, with(measured, row{"id": readingOf(n)})).want(201)
	}
	for n := range 3 {
		w.do("POST", w.at("members"), w.officer, map[string]any{"number": fmt.Sprint("goes", n), "name": "Member"}).want(201)
	}
	w.feed = strings.TrimPrefix(w.subscribe(w.officer, row{"of": "garage", "garage": "north"}).want(201).str("url"), reachedAt)
	w.do("POST", w.at("tools"), w.officer, map[string]any{"number": "M7", "model": "MIC", "garage": "north"}, header{"Idempotency-Key", newID()[:34] + "00"}).want(201)
	for n := range 3 {
		for _, name := range []string{"lent", "more", "most", "gone"} {
			w.do("POST", w.at("tools"), w.officer, row{"number": fmt.Sprint(name, n), "model": "R8", "garage": "north"}).want(201)
		}
	}
	w.do("POST", w.at("tools/M7/calibrations"), w.officer, map[string]any{"calibrated_on": "2025-02-01", "expanded_uncertainty": "2 um", "deviation": "1 um"}).want(201)
	w.study = w.do("POST", w.at("tools/M7/studies"), w.officer, twoReadings).want(201).str("id")
	w.booked = w.reserve(w.officer, 190, 192, toolLine("M7")).want(201).str("id")
	for range 3 {
		w.guests = append(w.guests, w.invite(nil).str("code"))
	}
	w.do("POST", w.at("members"), w.officer, map[string]any{"number": "waits", "name": "Member"}).want(201)
	w.do("POST", w.at("tools"), w.officer, map[string]any{"number": "W8", "model": "R8", "garage": "north"}).want(201)
	for n := range 9 {
		if n == 6 { // what was asked for until now is offered
			w.sweepWaiting()
		}
		w.waits = append(w.waits, w.do("POST", w.at("waiting-list"), w.officer, w.waitFor(2000+100*n, 2080+100*n, 4, toolLine("W8"))).want(201).header.Get("Location"))
	}
	w.do("POST", w.at("kits"), w.officer, row{"code": "box", "name": "Box", "parts": []row{fixed("M7"), anyOf("MIC")}}).want(201)
	countedRepairs(w) // R1 to R3
	w.do("POST", w.at("repairs"), w.officer, row{"joints": []string{"only"}, "procedure": "door-hinge", "garage": "north"}).want(201)
	w.do("POST", w.at("pin-series"), w.officer, ladder).want(201)
	for _, bore := range []string{"bore", "eye"} {
		w.do("POST", w.at("readings"), w.officer, row{"joint": "only", "feature": bore, "value": "8.02 mm", "with": "bore_gauge", "stage": "reamed"}).want(201)
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
	// One write in 256, by its key, sweeps old answers on its way: prepared here, or it would cost who meets it first.
	for range 2 {
		key := uuid.Must(uuid.NewV7())
		key[15] = 0
		w.do("POST", w.at("members"), w.officer, map[string]any{"number": key.String(), "name": "Sweeps"}, header{"Idempotency-Key", key.String()}).want(201)
	}
	for _, row := range roundTrips {
		t.Run(fmt.Sprintf("%s costs %d", row.operation, row.trips), func(t *testing.T) {
			for turn := range 2 { // the first prepares, of a write also its second half
				if r := row.request(w, turn); r.status >= 300 {
					t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
				}
			}
			// On a busy machine the pool may take another connection for it, which prepares the statements anew: once more then.
			var told, socket int64
			for turn := 2; turn < 4 && (told != row.trips || socket != row.trips); turn++ {
				told, socket = counted.told.Load(), counted.socket.Load()
				if r := row.request(w, turn); r.status >= 300 {
					t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
				}
				told, socket = counted.told.Load()-told, counted.socket.Load()-socket
			}
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
