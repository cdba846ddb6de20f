package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/replay"
)

// call is one request under way.
type call struct {
	ctx    context.Context
	echo   echo.Context
	op     *operation
	now    time.Time
	bearer access.Bearer
	club   uuid.UUID     // the bearer's; everything is looked up in this club only
	caller access.Caller // known once the first round trip is back
	roles  []string      // one of them is needed
	body   []byte
	value  any // the body, parsed and valid
	key    *replay.Key
	media  string // of the answer, when it is a good one
	// fault is what decoding found; it is told in its place in the order of
	// checks.
	fault  error
	server *Server
}

// begin reads who calls and what for, without the database. The error is told
// at once: there is no club yet in which to look. invalid is told after
// authentication, club and role.
func (s *Server) begin(c echo.Context) (in *call, invalid, err error) {
	op := s.contract.byRoute[c.Request().Method+" "+c.Path()]
	event := eventOf(c)
	event.operation = op.ID
	// As fine as the database keeps times, so that all answers show the same.
	in = &call{ctx: event.context(c.Request().Context()), echo: c, op: op, now: s.now().Truncate(time.Microsecond), roles: op.Roles, server: s}
	if op.narrow != nil {
		in.roles = op.narrow(c)
	}
	for _, value := range c.ParamValues() {
		if strings.Contains(value, "/") { // the router gives a last parameter all the rest of the path
			return nil, nil, errNowhere
		}
	}
	if len(op.columns)+len(op.forms) > 0 {
		c.Response().Header().Set("Vary", "Origin, Accept") // see cross
	}
	if !op.isPublic() {
		if in.bearer, err = s.bearerOf(c, op); err != nil {
			return nil, nil, err
		}
		in.club = in.bearer.Club
		event.club = in.club
	}
	if op.MaxBody > 0 { // a large body is read by its handler, once it is known who sends it
		if faults := s.checkParameters(c, op); len(faults) > 0 {
			invalid = problem.Invalid(faults...)
		}
		return in, invalid, nil
	}
	if in.body, invalid = s.readBody(c, s.limits.Body, "Split the batch."); invalid == nil {
		in.value, invalid = s.checkRequest(c, op, in.body)
	}
	if invalid == nil && op.check != nil {
		in.value, invalid = op.check(in)
	}
	var unacceptable error
	if in.media, unacceptable = op.negotiate(c.Request().Header.Values("Accept")); invalid == nil {
		invalid = unacceptable
	}
	if op.Method == http.MethodPatch && problem.Is(invalid, problem.UnsupportedMediaType) {
		c.Response().Header().Set("Accept-Patch", strings.Join(op.mediaTypes(), ", ")) // RFC 5789, 2.2
	}
	return in, invalid, nil
}

var errNowhere = problem.New(problem.NotFound, "Check the address; /reference lists all there are.")

func (s *Server) readBody(c echo.Context, most int64, mend string) ([]byte, error) {
	r := c.Request()
	tooLarge := problem.New(problem.TooLarge, "A body may have %d bytes at most here. %s", most, mend)
	if r.ContentLength > most {
		return nil, tooLarge
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, most))
	eventOf(c).bytesIn = int64(len(body))
	var over *http.MaxBytesError
	switch {
	case errors.As(err, &over):
		return nil, tooLarge
	case err != nil:
		return nil, problem.New(problem.MalformedRequest, "The body did not arrive whole. Send the request again.")
	}
	return body, nil
}

// admit makes the checks that need the caller, in the order of the
// conventions: authenticate, club, origin of the page, role, then validity.
func (in *call) admit(found *postgres.Rows[access.Caller], invalid error) error {
	caller, err := found.One()
	if err != nil {
		return in.op.nobody(nil)
	}
	in.caller = caller
	if in.op.Code == "" { // a code is good once, so it has no rate of its own
		event := eventOf(in.echo)
		if event.credential != nil {
			in.server.quota.Confirm(*event.credential)
		}
		event.member, event.usedOn, event.token = caller.MemberID, caller.UsedOn, caller.TokenID
	}
	if name := in.echo.Param("club"); name != caller.ClubSlug && !strings.EqualFold(name, caller.ClubID.String()) {
		return problem.Absent()
	}
	if err := in.admitOrigin(); err != nil {
		return err
	}
	if in.op.Code == "" {
		if err := caller.May(in.roles, in.op.Scope); err != nil {
			return err
		}
	}
	if invalid != nil {
		return invalid
	}
	if unit := in.echo.QueryParam("units"); unit != "" { // only where the contract takes it, or it was refused
		in.caller.Units = unit
	}
	return in.fault
}

// read answers a GET in one round trip. build queues the lookups and returns
// what makes the answer of them; it runs only for a valid request.
func (s *Server) read(c echo.Context, build func(b *postgres.Batch, in *call) func() (answer, error)) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	return s.look(in, invalid, build)
}

func (s *Server) look(in *call, invalid error, build func(b *postgres.Batch, in *call) func() (answer, error)) error {
	var caller *postgres.Rows[access.Caller]
	var finish func() (answer, error)
	err := s.db.Read(in.ctx, in.club, func(b *postgres.Batch) {
		caller = access.Who(b, in.bearer, in.now)
		if invalid == nil {
			finish = build(b, in)
		}
	})
	if err != nil {
		return err
	}
	if err := in.admit(caller, invalid); err != nil {
		return err
	}
	s.noteUse(in)
	a, err := finish()
	if err != nil {
		return err
	}
	body, err := render(a.body)
	if err == nil && in.media == csvList {
		a = a.with("Content-Type", csvList)
		body, err = csvOf(in.op.columns, body)
	}
	if err != nil {
		return err
	}
	if tag := a.headers["ETag"]; tag != "" && matches(in.echo.Request().Header.Get("If-None-Match"), tag) {
		send(in.echo, http.StatusNotModified, a.headers, nil)
		return nil
	}
	send(in.echo, a.status, a.headers, body)
	return nil
}

// errReplayed ends a write whose answer was stored by an equal request.
var errReplayed = errors.New("api: replayed")

// write is the one way to change anything: it authorises, claims the
// Idempotency-Key, looks up, decides, and commits effects, journal and stored
// answer in one transaction; only then it answers. build queues the lookups and
// returns what decides. Both may run again after a deadlock, so they have no
// effect but on tx.
func (s *Server) write(c echo.Context, build func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error)) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	return s.change(in, invalid, build)
}

// change is write for a request that has begun.
func (s *Server) change(in *call, invalid error, build func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error)) error {
	if invalid == nil {
		invalid = s.readKey(in)
	}
	if invalid != nil { // nothing to write: only find out which problem comes first
		return s.look(in, invalid, nil)
	}
	var (
		caller *postgres.Rows[access.Caller]
		claim  *replay.Claim
		decide func(tx *postgres.Tx) (answer, error)
		out    replay.Answer
		marked bool
	)
	err := s.db.Write(in.ctx, in.club, in.now, func(b *postgres.Batch) {
		in.fault = nil
		access.Lock(b, in.bearer)
		caller = access.Who(b, in.bearer, in.now)
		if in.key != nil && in.op.Code == "" { // an answer with a token in it is never stored
			claim = replay.Queue(b, *in.key, in.bearer.Holder(), in.bearer.Key(), in.now)
		}
		decide = build(b, in)
	}, func(tx *postgres.Tx) error {
		if err := in.admit(caller, nil); err != nil {
			return err
		}
		if claim != nil {
			earlier, err := claim.Found()
			if err != nil {
				return err
			}
			if earlier != nil {
				out, marked = *earlier, true
				return errReplayed
			}
		}
		if err := in.needIfMatch(); err != nil {
			return err
		}
		a, err := decide(tx)
		if err != nil {
			return err
		}
		body, err := render(a.body)
		if err != nil {
			return err
		}
		out = replay.Answer{Status: a.status, Headers: a.headers, Body: body}
		if claim == nil || a.status >= 300 {
			return nil
		}
		return claim.Complete(tx, in.caller.MemberID, out)
	})
	if err != nil && !errors.Is(err, errReplayed) {
		if postgres.LockTimeout(err) && in.key != nil {
			return &problem.Error{Kind: problem.RequestInProgress, Detail: "An equal request, or one on the same thing, is still running. Wait, then send the same request again.", RetryAfter: time.Second, Cause: err}
		}
		return err
	}
	s.noteUse(in)
	if marked {
		out.Headers = withHeader(out.Headers, "Idempotency-Replayed", "true")
		eventOf(in.echo).replayed = true
	}
	send(in.echo, out.Status, out.Headers, out.Body)
	return nil
}

func withHeader(headers map[string]string, name, value string) map[string]string {
	return answer{headers: headers}.with(name, value).headers
}

// readKey reads the Idempotency-Key where the operation takes one.
func (s *Server) readKey(in *call) error {
	text := in.echo.Request().Header.Get("Idempotency-Key")
	switch {
	case in.op.Repeat == "none" || in.op.isRead(): // of what is read and noted, each time is one more
		return nil
	case text == "" && in.op.Repeat == "id":
		return nil // the handler asks for it where a row has no id of its own
	case text == "":
		return problem.New(problem.KeyMissing, "Send the header Idempotency-Key with a UUID of version 7; GET /v1/new-id makes one.")
	}
	id, err := replay.ParseKey(text, in.now)
	if err != nil {
		return err
	}
	sum := sha256.New()
	for _, part := range []string{in.op.Method, in.echo.Request().URL.RequestURI(), in.echo.Request().Header.Get("If-Match")} {
		_, _ = io.WriteString(sum, part+"\n") // a hash never fails to be written to
	}
	_, _ = sum.Write(in.body)
	in.key = &replay.Key{ID: id, Operation: in.op.ID, Fingerprint: sum.Sum(nil)}
	if in.op.Code != "" {
		request := sha256.Sum256(append(id[:], in.key.Fingerprint...))
		in.bearer = in.bearer.Presenting(request[:])
	}
	return nil
}

// needIfMatch asks for If-Match where an edit is made without one.
func (in *call) needIfMatch() error {
	if in.op.IfMatch && in.echo.Request().Header.Get("If-Match") == "" {
		return problem.New(problem.PreconditionRequired, "GET it, make the edit from that, and send its ETag as If-Match.")
	}
	return nil
}

// match holds If-Match against the version at hand; current is the resource as
// it is now, shown to whoever edited an older one.
func (in *call) match(version int64, current any) error {
	for _, tag := range strings.Split(in.echo.Request().Header.Get("If-Match"), ",") {
		tag = strings.TrimSpace(tag)
		if tag == "*" {
			return nil
		}
		number, _, _ := strings.Cut(strings.Trim(tag, `"`), ".")
		have, _, _ := strings.Cut(strings.Trim(entityTag(version, in.caller.Units), `"`), ".")
		if strings.HasPrefix(tag, `"`) && number == have {
			return nil
		}
	}
	return &problem.Error{Kind: problem.StaleVersion, Detail: "It was changed since. Make your edit from `current`, and send its ETag " + entityTag(version, in.caller.Units) + " as If-Match.",
		Members: map[string]any{"current": current, "current_etag": entityTag(version, in.caller.Units)}}
}

// matches is the weak comparison of RFC 9110, 8.8.3.2, for If-None-Match.
func matches(header, tag string) bool {
	for _, one := range strings.Split(header, ",") {
		one = strings.TrimPrefix(strings.TrimSpace(one), "W/")
		if one == "*" || one == tag {
			return true
		}
	}
	return false
}

// calculate answers a request that needs no club and keeps nothing.
func (s *Server) calculate(c echo.Context, answerOf func(in *call) (answer, error)) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	if invalid != nil {
		return invalid
	}
	a, err := answerOf(in)
	if err != nil {
		return err
	}
	return in.deliver(a)
}

// deliver sends what there is to say of a request of which nothing is stored.
func (in *call) deliver(a answer) error {
	body, err := render(a.body)
	if err != nil {
		return err
	}
	send(in.echo, a.status, a.headers, body)
	return nil
}

// decode reads the valid body as T.
func decode[T any](in *call) T {
	var out T
	if len(in.body) == 0 {
		return out
	}
	if err := json.Unmarshal(in.body, &out); err != nil {
		in.fault = problem.New(problem.MalformedRequest, "The body does not fit the contract: %v.", err)
	}
	return out
}

func render(body any) ([]byte, error) {
	switch raw := body.(type) {
	case nil:
		return nil, nil
	case json.RawMessage:
		return raw, nil
	case []byte: // of a media type of its own
		return raw, nil
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(body); err != nil {
		return nil, err
	}
	return bytes.TrimRight(out.Bytes(), "\n"), nil
}

// path is the address of something in the caller's club, by the club's name in
// this request.
func (in *call) path(parts ...string) string {
	at := "/v1/clubs/" + url.PathEscape(in.echo.Param("club"))
	for _, p := range parts {
		at += "/" + url.PathEscape(p)
	}
	return at
}
