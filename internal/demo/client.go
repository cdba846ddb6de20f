// Package demo does the main job with an invented club, as a client of the
// HTTP API and nothing else: it loads the club, posts readings, asks what to do,
// reserves the reamer, and tells each step.
package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"

	"github.com/google/uuid"
)

// client is one caller of the API.
type client struct {
	base  string // http://host:port
	club  string
	token string
	http  *http.Client
}

// as is the same client with another's token.
func (c client) as(token string) client {
	c.token = token
	return c
}

// reply is an answer.
type reply struct {
	status int
	body   []byte
}

// do sends body as JSON to a path under the club.
func (c client) do(ctx context.Context, method, path string, body any) (reply, error) {
	var text []byte
	var err error
	if body != nil {
		if text, err = json.Marshal(body); err != nil {
			return reply{}, err
		}
	}
	r, err := http.NewRequestWithContext(ctx, method, c.base+"/v1/clubs/"+c.club+"/"+path, bytes.NewReader(text))
	if err != nil {
		return reply{}, err
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if method == http.MethodPatch {
		r.Header.Set("If-Match", "*") // nobody else changes it here
		r.Header.Set("Content-Type", "application/merge-patch+json")
	}
	if method != http.MethodGet {
		r.Header.Set("Idempotency-Key", uuid.Must(uuid.NewV7()).String())
	}
	answer, err := c.http.Do(r)
	if err != nil {
		return reply{}, err
	}
	defer answer.Body.Close() //nolint:errcheck // only read from
	out := reply{status: answer.StatusCode}
	out.body, err = io.ReadAll(answer.Body)
	return out, err
}

// must is do for a request that has to succeed; into, when not nil, takes the
// answer.
func (c client) must(ctx context.Context, method, path string, body, into any) error {
	r, err := c.do(ctx, method, path, body)
	if err != nil {
		return err
	}
	if r.status >= 300 {
		return fmt.Errorf("%s %s: %d %s", method, path, r.status, r.body)
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(r.body, into)
}

func newClient(base, club, token string) client {
	return client{base: base, club: club, token: token, http: http.DefaultClient}
}
