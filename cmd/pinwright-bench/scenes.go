package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// connections is how many clients ask at once.
const connections = 16

// get compares a read, with authentication, fences, ETag and metrics, with what
// the machine could do at most when PostgreSQL's share is done by pgbench and
// HTTP's by a server that does nothing: 1/(1/R_pgbench + 1/R_null).
func get(_ context.Context, s *stage, rounds int, d time.Duration) error {
	ask := s.request("GET", "garages/north", "")
	answer, err := once(s.address, ask)
	if err != nil || !strings.HasPrefix(answer, "HTTP/1.1 200") {
		return fmt.Errorf("%w: %s", err, answer)
	}
	recorded := func() ([][]statement, error) {
		return s.recorder.record(func() error { _, err := once(s.address, ask); return err })
	}
	first, err := recorded()
	if err != nil {
		return err
	}
	second, err := recorded()
	if err != nil {
		return err
	}
	twin, err := script(first, second, nil)
	if err != nil {
		return err
	}
	head, body, _ := strings.Cut(answer, "\r\n\r\n")
	null, err := s.serve(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		for line := range strings.Lines(head) {
			if name, value, ok := strings.Cut(strings.TrimSpace(line), ": "); ok && name != "Date" && name != "Content-Length" {
				w.Header().Set(name, value)
			}
		}
		_, _ = w.Write([]byte(body)) // a client that went away shows as its own fault
	}))
	if err != nil {
		return err
	}
	load := func(address string) func(time.Duration) (float64, error) {
		return func(d time.Duration) (float64, error) {
			t, err := hammer(address, connections, d, 0, func(int, int) []byte { return ask })
			return t.perSecond(), err
		}
	}
	sides := []contender{
		{"GET of a garage by its name", load(s.address)},
		{"the same statements by pgbench", func(d time.Duration) (float64, error) { return s.pgbench(twin, d) }},
		{"an empty server with the same answer", load(null)},
	}
	each, ratio, err := interleave(rounds, d, s.settle, func(r []float64) float64 { return r[0] / (1 / (1/r[1] + 1/r[2])) }, sides...)
	if err != nil {
		return err
	}
	report(os.Stdout, "GET against the shared bound 1/(1/R_pgbench + 1/R_empty)", "a second", sides, each, ratio, "0.8 or more")
	return nil
}

// batch is how many readings a request carries.
const batch = 500

// readings compares posting readings with COPY of the same rows into the same
// table, as an administrator, past all rules but the table's own.
func readings(ctx context.Context, s *stage, rounds int, d time.Duration) error {
	next := func(int, int) []byte {
		var body strings.Builder
		body.WriteString(`{"readings":[`)
		for i := range batch {
			if i > 0 {
				body.WriteByte(',')
			}
			fmt.Fprintf(&body, `{"id":"%s","joint":"front-left-upper","value":"9.%03d mm","with":"bore_gauge","station":"middle"}`, uuid.Must(uuid.NewV7()), i)
		}
		body.WriteString(`]}`)
		return s.request("POST", "readings", body.String())
	}
	// One row as the service writes it is the model of what is copied.
	if _, err := once(s.address, next(0, 0)); err != nil {
		return err
	}
	rows, err := s.owner.Query(ctx, `select * from reading where club_id = $1 limit 1`, s.club.ClubID)
	if err != nil {
		return err
	}
	var columns []string
	for _, f := range rows.FieldDescriptions() {
		columns = append(columns, f.Name)
	}
	if !rows.Next() {
		return errors.New("no reading was kept")
	}
	model, err := rows.Values()
	rows.Close()
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, s.cluster.DatabaseURL(database)) // COPY asks for somebody who passes row security
	if err != nil {
		return err
	}
	defer conn.Close(ctx) //nolint:errcheck // the comparison is over
	sides := []contender{
		{"readings posted, 500 a request", func(d time.Duration) (float64, error) {
			t, err := hammer(s.address, 4, d, 0, next)
			return t.perSecond() * batch, err
		}},
		{"the same rows by COPY, 500 a transaction", func(d time.Duration) (float64, error) {
			n, begin := 0, time.Now()
			for time.Since(begin) < d {
				source := make([][]any, batch)
				for i := range source {
					row := append([]any{}, model...)
					for c, name := range columns {
						if name == "id" {
							row[c] = uuid.Must(uuid.NewV7())
						}
					}
					source[i] = row
				}
				if _, err := conn.CopyFrom(ctx, pgx.Identifier{"reading"}, columns, pgx.CopyFromRows(source)); err != nil {
					return 0, err
				}
				n += batch
			}
			return float64(n) / time.Since(begin).Seconds(), nil
		}},
	}
	each, ratio, err := interleave(rounds, d, s.settle, func(r []float64) float64 { return r[0] / r[1] }, sides...)
	if err != nil {
		return err
	}
	report(os.Stdout, "500 readings a request against COPY", "rows a second", sides, each, ratio, "0.5 or more")
	return nil
}

// booking is a request for one tool for one hour, of a client's own tools, so that
// nobody is refused.
func (s *stage) booking(client, turn int) []byte {
	hour := time.Now().Truncate(time.Hour).Add(time.Duration(24+turn) * time.Hour)
	return s.request("POST", "reservations", fmt.Sprintf(`{"lines":[{"tool":"B-%d"}],"period":{"from":%q,"until":%q}}`,
		client*tools+turn%tools, hour.UTC().Format(time.RFC3339), hour.Add(time.Hour).UTC().Format(time.RFC3339)), "Idempotency-Key: "+uuid.Must(uuid.NewV7()).String())
}

func (s *stage) bookings(ctx context.Context) (n int, err error) {
	err = s.owner.QueryRow(ctx, `select count(*) from booking where club_id = $1`, s.club.ClubID).Scan(&n)
	return n, err
}

// reservations compares a reservation with pgbench making the same locks,
// lookups and inserts in the same round trips.
func reservations(ctx context.Context, s *stage, rounds int, d time.Duration) error {
	var recorded [2][][]statement
	for i := range 4 { // the first two prepare
		answer := ""
		statements, err := s.recorder.record(func() (err error) { answer, err = once(s.address, s.booking(63, i*tools)); return err })
		if err != nil || !strings.HasPrefix(answer, "HTTP/1.1 201") {
			return fmt.Errorf("%w: %s", err, answer)
		}
		recorded[i%2] = statements
	}
	number := fmt.Sprintf("B-%d", 63*tools)
	mine := ":client_id::int * 8 + mod(:n::int, 8)"
	twin, err := script(recorded[0], recorded[1], map[string]string{
		number: "('B-' || (" + mine + ")::text)",
		fmt.Sprintf("00000000-0000-7000-8000-%012x", 63*tools): "('00000000-0000-7000-8000-' || lpad(to_hex(" + mine + "), 12, '0'))::uuid",
	})
	if err != nil {
		return err
	}
	turns := [connections]int{}
	sides := []contender{
		{"reservations made", func(d time.Duration) (float64, error) {
			t, err := hammer(s.address, connections, d, 0, func(client, _ int) []byte {
				turns[client]++
				return s.booking(client, turns[client])
			})
			return t.perSecond(), err
		}},
		{"the same statements by pgbench", func(d time.Duration) (float64, error) {
			before, err := s.bookings(ctx)
			if err != nil {
				return 0, err
			}
			rate, err := s.pgbench(twin, d)
			if err != nil {
				return 0, err
			}
			after, err := s.bookings(ctx)
			if made := float64(after - before); err == nil && made < 0.8*rate*d.Seconds() {
				err = fmt.Errorf("made %.0f bookings at %.0f a second for %s: it does not do the same work", made, rate, d)
			}
			return rate, err
		}},
	}
	each, ratio, err := interleave(rounds, d, s.settle, func(r []float64) float64 { return r[0] / r[1] }, sides...)
	if err != nil {
		return err
	}
	report(os.Stdout, "reservation against the same locks and inserts", "a second", sides, each, ratio, "0.6 or more")
	return nil
}

// overload compares what is answered well at three times the peak rate with the
// peak.
func overload(_ context.Context, s *stage, rounds int, d time.Duration) error {
	ask := s.request("GET", "garages/north", "")
	next := func(int, int) []byte { return ask }
	peak, asked, shed, slowest := 0.0, figures{}, figures{}, figures{}
	sides := []contender{
		{"answered well at the peak", func(d time.Duration) (float64, error) {
			t, err := hammer(s.address, connections, d, 0, next)
			peak = t.perSecond()
			return peak, err
		}},
		{"answered well at three times that rate", func(d time.Duration) (float64, error) {
			t, err := hammer(s.address, 40*connections, d, 3*peak, next)
			all := 0
			for _, n := range t.byStatus {
				all += n
			}
			asked = append(asked, float64(all)/t.took.Seconds()/peak)
			shed = append(shed, 1-float64(t.good())/float64(max(all, 1)))
			slowest = append(slowest, t.quantile(0.99).Seconds()*1000)
			return t.perSecond(), err
		}},
	}
	each, ratio, err := interleave(rounds, d, s.settle, func(r []float64) float64 { return r[1] / r[0] }, sides...)
	if err != nil {
		return err
	}
	report(os.Stdout, "three times the peak rate", "a second", sides, each, ratio, "0.9 or more, the rest 429 or 503")
	fmt.Printf("  %-58s %s of the peak\n  %-58s %s\n  %-58s %s ms\n", fmt.Sprintf("asked for (%d connections wait for their answers)", 40*connections), asked[1:], "share told 429 or 503", shed[1:], "p99 of those answered well", slowest[1:])
	return nil
}
