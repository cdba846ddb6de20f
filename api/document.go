package api

import (
	"encoding/json"
	"math"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"pinwright/internal/problem"
)

const (
	jsonType    = "application/json"
	patchType   = "application/merge-patch+json"
	problemType = "application/problem+json"
	csvType     = "text/csv"
)

// writeProblem is the only writer of failures. It shows what is safe to show
// and leaves the cause to the request's log event.
func writeProblem(c echo.Context, err error) {
	p, ok := problem.As(err)
	if !ok {
		p = &problem.Error{Kind: problem.Internal, Detail: "Try again; if it stays, tell whoever runs the service the request id.", Cause: err}
	}
	event := eventOf(c)
	event.problem = p.Kind.Code
	event.cause = p.Cause
	if c.Response().Committed {
		return
	}
	doc := map[string]any{}
	for name, value := range p.Members {
		doc[name] = value
	}
	doc["type"] = "/problems/" + p.Kind.Code
	doc["title"] = p.Kind.Title
	doc["status"] = p.Kind.Status
	doc["detail"] = p.Detail
	doc["instance"] = event.requestID
	if len(p.Faults) > 0 {
		faults := make([]FieldFault, len(p.Faults))
		for i, f := range p.Faults {
			faults[i] = FieldFault{Pointer: f.Pointer, Detail: f.Detail}
			if len(f.Candidates) > 0 {
				faults[i].Candidates = &p.Faults[i].Candidates
			}
		}
		doc["errors"] = faults
	}
	body, err := json.Marshal(doc)
	if err != nil {
		body = []byte(`{"type":"/problems/internal","title":"The service failed","status":500,"detail":"Try again.","instance":"` + event.requestID + `"}`)
		p = &problem.Error{Kind: problem.Internal, Cause: err}
	}
	h := c.Response().Header()
	h.Set("Content-Type", problemType)
	h.Set("Cache-Control", "no-store")
	if tellsNothing(p.Kind) {
		letRead(h, c.Request())
	}
	if p.Kind.Status == http.StatusUnauthorized {
		h.Set("WWW-Authenticate", `Bearer realm="pinwright"`)
	}
	if p.RetryAfter > 0 {
		h.Set("Retry-After", strconv.Itoa(int(math.Ceil(p.RetryAfter.Seconds()))))
	} else if p.Kind.Status == http.StatusServiceUnavailable {
		h.Set("Retry-After", "1")
	}
	c.Response().WriteHeader(p.Kind.Status)
	if c.Request().Method != http.MethodHead {
		_, _ = c.Response().Write(body) // the client is gone when this fails; the event tells
	}
}

// answer is what a handler wants sent.
type answer struct {
	status  int
	headers map[string]string
	// body is rendered as JSON, unless it is bytes already; nil is no body.
	body any
}

func ok(body any) answer { return answer{status: http.StatusOK, body: body} }

// created answers 201 with where the new thing stands.
func created(location string, body any) answer {
	return answer{status: http.StatusCreated, body: body, headers: map[string]string{"Location": location}}
}

// with adds a header.
func (a answer) with(name, value string) answer {
	headers := map[string]string{name: value}
	for k, v := range a.headers {
		headers[k] = v
	}
	a.headers = headers
	return a
}

// versioned adds the ETag of a resource's version.
func (a answer) versioned(version int64, units string) answer {
	return a.with("ETag", entityTag(version, units))
}

// entityTag names a version and its representation: the same version in other
// units has other bytes.
func entityTag(version int64, units string) string {
	return `"` + strconv.FormatInt(version, 10) + "." + units + `"`
}

func send(c echo.Context, status int, headers map[string]string, body []byte) {
	h := c.Response().Header()
	for name, value := range headers {
		h.Set(name, value)
	}
	bodiless := status == http.StatusNotModified || status == http.StatusNoContent
	if !bodiless && h.Get("Content-Type") == "" {
		h.Set("Content-Type", jsonType)
	}
	if headers["ETag"] != "" && headers["Cache-Control"] == "" {
		h.Set("Cache-Control", "private, no-cache")
	}
	switch {
	case bodiless:
		h.Del("Content-Length")
	case h.Get("Content-Length") == "": // else a long body goes in chunks, and HEAD tells no length
		h.Set("Content-Length", strconv.Itoa(len(body)))
	}
	c.Response().WriteHeader(status)
	if !bodiless && c.Request().Method != http.MethodHead {
		_, _ = c.Response().Write(body) // the client is gone when this fails; the event tells
	}
}
