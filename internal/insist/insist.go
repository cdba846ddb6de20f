// Package insist asks a service for writes and does not give up: each request is
// sent again, with the same key, until it is acknowledged, whatever happens to
// the service or its database meanwhile. Afterwards Compare holds what was
// acknowledged against the rows: all there, none twice, none nobody asked for.
// It is for tests of faults.
package insist

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Answer is what came back for one try.
type Answer struct {
	Status int
	Header http.Header
	Body   []byte
}

// Send carries one request to the service; an error means that no answer came.
type Send func(r *http.Request) (Answer, error)

// Through sends to a handler of this process. A panic's abort counts as no
// answer.
func Through(h http.Handler) Send {
	return func(r *http.Request) (Answer, error) {
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		return Answer{rec.Code, rec.Result().Header, rec.Body.Bytes()}, nil
	}
}

// Over sends to wherever address points at that moment.
func Over(client *http.Client, address func() string) Send {
	return func(r *http.Request) (Answer, error) {
		r.URL.Scheme, r.URL.Host, r.RequestURI = "http", address(), ""
		response, err := client.Do(r)
		if err != nil {
			return Answer{}, err
		}
		defer response.Body.Close() //nolint:errcheck // read to its end
		body, err := io.ReadAll(response.Body)
		return Answer{response.StatusCode, response.Header, body}, err
	}
}

// Crowd is a number of clients that write into one club.
type Crowd struct {
	Send  Send
	Club  string // as it stands in addresses
	Token string
	Joint string // a joint of the club whose usual feature is a bore of about 9 mm

	serial                                   atomic.Int64
	acknowledged, unavailable, cut, replayed atomic.Int64
	mu                                       sync.Mutex
	sizes, codes                             map[string]bool // what was asked for, and whether it was acknowledged
	wrong                                    []string
}

// patience bounds how long one request is insisted on.
const patience = 60 * time.Second

// Run lets n clients write until ctx ends; then each request under way is still
// insisted on.
func (c *Crowd) Run(ctx context.Context, n int) {
	c.mu.Lock()
	if c.sizes == nil {
		c.sizes, c.codes = map[string]bool{}, map[string]bool{}
	}
	c.mu.Unlock()
	var all sync.WaitGroup
	for range n {
		all.Go(func() {
			for ctx.Err() == nil {
				c.write(ctx)
			}
		})
	}
	all.Wait()
}

// write asks for one reading or one garage. A reading's size, a garage's code
// tells them apart from all others.
func (c *Crowd) write(ctx context.Context) {
	serial := c.serial.Add(1)
	path, body, noted, name := "", "", c.sizes, ""
	if serial%4 == 0 {
		name = fmt.Sprintf("insist-%d", serial)
		path, body, noted = "garages", fmt.Sprintf(`{"code":%q,"name":"Insisted","time_zone":"UTC"}`, name), c.codes
	} else {
		name = fmt.Sprint(9_000_000 + serial)
		path, body = "readings", fmt.Sprintf(`{"joint":%q,"value":"9.%06d mm","with":"inside_micrometer"}`, c.Joint, serial)
	}
	c.mu.Lock()
	noted[name] = false
	c.mu.Unlock()
	if c.until(context.WithoutCancel(ctx), "/v1/clubs/"+c.Club+"/"+path, body) {
		c.mu.Lock()
		noted[name] = true
		c.mu.Unlock()
	}
}

func (c *Crowd) until(ctx context.Context, path, body string) bool {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	key := uuid.Must(uuid.NewV7()).String()
	for {
		r := httptest.NewRequestWithContext(ctx, http.MethodPost, path, bytes.NewReader([]byte(body)))
		r.Header.Set("Authorization", "Bearer "+c.Token)
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", key)
		answer, err := c.Send(r)
		switch {
		case err != nil:
			c.cut.Add(1)
		case answer.Status == http.StatusCreated:
			c.acknowledged.Add(1)
			if answer.Header.Get("Idempotency-Replayed") != "" {
				c.replayed.Add(1)
			}
			return true
		case answer.Header.Get("Retry-After") == "":
			c.fault("answered %d without Retry-After: %s", answer.Status, answer.Body)
			return false
		case answer.Status == http.StatusServiceUnavailable, answer.Status == http.StatusConflict, answer.Status == http.StatusTooManyRequests:
			c.unavailable.Add(1)
		default:
			c.fault("answered %d: %s", answer.Status, answer.Body)
			return false
		}
		select {
		case <-ctx.Done():
			c.fault("%s was not acknowledged within %s: %v", body, patience, err)
			return false
		case <-time.After(10 * time.Millisecond): // sooner than Retry-After asks, to press harder
		}
	}
}

func (c *Crowd) fault(format string, args ...any) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.wrong) < 10 { // more would say no more
		c.wrong = append(c.wrong, fmt.Sprintf(format, args...))
	}
}

// Acknowledged is how many writes were acknowledged so far.
func (c *Crowd) Acknowledged() int64 { return c.acknowledged.Load() }

// String tells what happened, in numbers.
func (c *Crowd) String() string {
	return fmt.Sprintf("%d writes acknowledged (%d of them from the stored answer), %d times told to come back, %d times cut off",
		c.acknowledged.Load(), c.replayed.Load(), c.unavailable.Load(), c.cut.Load())
}

// Compare holds what was acknowledged against the database, read as a role that
// sees all rows. Everything was insisted on, so the rows and what was asked for
// must be the same, each once, and each with its event.
func (c *Crowd) Compare(ctx context.Context, owner *pgxpool.Pool, club uuid.UUID) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	var faults []error
	for _, w := range c.wrong {
		faults = append(faults, errors.New(w))
	}
	compare := func(what string, asked map[string]bool, sql string) error {
		rows, err := owner.Query(ctx, sql, club)
		if err != nil {
			return err
		}
		found := map[string]int{}
		var name string
		if _, err := pgx.ForEachRow(rows, []any{&name}, func() error { found[name]++; return nil }); err != nil {
			return err
		}
		for name, acknowledged := range asked {
			if n := found[name]; n > 1 || acknowledged && n != 1 {
				faults = append(faults, fmt.Errorf("%s %s is there %d times (acknowledged: %t)", what, name, n, acknowledged))
			}
			delete(found, name)
		}
		for name, n := range found {
			faults = append(faults, fmt.Errorf("%s %s is there %d times and was never asked for", what, name, n))
		}
		return nil
	}
	if err := compare("the reading", c.sizes, `select size_nm::text from reading where club_id = $1 and size_nm > 9000000`); err != nil {
		return err
	}
	if err := compare("the garage", c.codes, `select code from garage where club_id = $1 and code like 'insist-%'`); err != nil {
		return err
	}
	var head, last, events, rows int64
	if err := owner.QueryRow(ctx, `select h.seq, (select max(seq) from event where club_id = $1), (select count(*) from event where club_id = $1),
			(select count(*) from event e where club_id = $1 and (exists (select from reading r where r.club_id = $1 and r.id = e.subject) or exists (select from garage g where g.club_id = $1 and g.id = e.subject and g.code like 'insist-%')))
		from head h where club_id = $1`, club).Scan(&head, &last, &events, &rows); err != nil {
		return err
	}
	if head != last || head != events || rows != c.acknowledged.Load() {
		faults = append(faults, fmt.Errorf("the journal's head is %d, its last event %d, its events %d; %d are of the %d acknowledged writes", head, last, events, rows, c.acknowledged.Load()))
	}
	return errors.Join(faults...)
}
