package api

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/url"
	"strconv"

	"pinwright/internal/problem"
)

// page is which part of a list is asked for: at most limit items behind the
// keys in after (none for the first page).
type page struct {
	limit int
	after []string
}

const defaultLimit = 100

// cursor is what `next` holds: the keys of the last item, bound to the club and
// the filters that they were made under.
type cursor struct {
	Bound []byte   `json:"b"`
	After []string `json:"a"`
}

// filters is the query without what moves through it, and without what changes
// neither the items nor their order: the unit of the answer and what is shown with
// it.
func (in *call) filters() []byte {
	q := url.Values{}
	for name, values := range in.echo.QueryParams() {
		if name != "cursor" && name != "limit" && name != "units" && name != "include" {
			q[name] = values
		}
	}
	return in.bound(in.echo.Request().URL.Path, q)
}

// bound is what binds a cursor to a list.
func (in *call) bound(path string, filters url.Values) []byte {
	sum := sha256.Sum256([]byte(in.club.String() + " " + path + "?" + filters.Encode()))
	return sum[:12]
}

// page reads limit and cursor; keys is how many keys order the list. A cursor of
// another list or other filters is a fault.
func (in *call) page(keys int) page {
	p := page{limit: defaultLimit}
	if text := in.echo.QueryParam("limit"); text != "" {
		p.limit, _ = strconv.Atoi(text) // validated by the contract
	}
	text := in.echo.QueryParam("cursor")
	if text == "" {
		return p
	}
	var c cursor
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err == nil {
		err = json.Unmarshal(raw, &c)
	}
	if err != nil || string(c.Bound) != string(in.filters()) || len(c.After) != keys {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "belongs to another list or other filters; use `next` of a page of this list, or start without a cursor"})
		return p
	}
	p.after = c.After
	return p
}

// key returns the i-th key to continue behind, or first on the first page.
func (p page) key(i int, first string) string {
	if p.after == nil {
		return first
	}
	return p.after[i]
}

// cut shortens items, of which one more than the limit was asked for, and
// returns the cursor of the next page, nil on the last.
func cut[T any](in *call, p page, items []T, keys func(T) []string) ([]T, *string) {
	if len(items) <= p.limit {
		return items, nil
	}
	items = items[:p.limit]
	next := cursor{Bound: in.filters(), After: keys(items[len(items)-1])}.text()
	return items, &next
}

func (c cursor) text() string {
	raw, err := json.Marshal(c)
	if err != nil {
		panic(fmt.Sprintf("api: cursor: %v", err)) // strings and bytes always marshal
	}
	return base64.RawURLEncoding.EncodeToString(raw)
}

// listed answers a page, with its Link (RFC 8288) when there is a next one.
func (in *call) listed(body any, next *string) answer {
	a := ok(body)
	if next != nil {
		u := *in.echo.Request().URL
		q := u.Query()
		q.Set("cursor", *next)
		a = a.with("Link", "<"+u.Path+"?"+q.Encode()+`>; rel="next"`)
	}
	return a
}

// each converts a slice.
func each[A, B any](items []A, convert func(A) B) []B {
	out := make([]B, len(items))
	for i, item := range items {
		out[i] = convert(item)
	}
	return out
}
