package problem

import (
	"errors"
	"fmt"
	"time"
)

// Fault is one thing wrong with one field.
type Fault struct {
	// Pointer says where: a JSON pointer into the body (RFC 6901), `?name` for a
	// query parameter, `{name}` for a path parameter, `Name:` for a header.
	Pointer    string
	Detail     string // what is wrong and how to mend it
	Candidates []string
}

// Error is a problem with one request. Detail and Faults are safe to show;
// Cause is for the log only.
type Error struct {
	Kind       Kind
	Detail     string
	Faults     []Fault
	RetryAfter time.Duration
	// Members are further members of the problem document.
	Members map[string]any
	Cause   error
}

func (e *Error) Error() string {
	if e.Cause != nil {
		return fmt.Sprintf("%s: %s: %v", e.Kind.Code, e.Detail, e.Cause)
	}
	return e.Kind.Code + ": " + e.Detail
}

func (e *Error) Unwrap() error { return e.Cause }

// New returns a problem of kind k with a detail that says how to mend it.
func New(k Kind, format string, args ...any) *Error {
	return &Error{Kind: k, Detail: fmt.Sprintf(format, args...)}
}

// Invalid returns an InvalidRequest with all its faults. It panics without any:
// a caller that found nothing wrong has no problem to report.
func Invalid(faults ...Fault) *Error {
	if len(faults) == 0 {
		panic("problem: Invalid without faults")
	}
	detail := faults[0].Detail
	if faults[0].Pointer != "" { // empty: the body as a whole (RFC 6901)
		detail = faults[0].Pointer + ": " + detail
	}
	if len(faults) > 1 {
		detail = fmt.Sprintf("%s (and %d more)", detail, len(faults)-1)
	}
	return &Error{Kind: InvalidRequest, Detail: detail, Faults: faults}
}

// Ambiguous returns an AmbiguousName for the name at pointer.
func Ambiguous(pointer, name string, candidates []string) *Error {
	f := Fault{Pointer: pointer, Detail: fmt.Sprintf("%q fits several things; use an id, or name the vehicle as well", name), Candidates: candidates}
	return &Error{Kind: AmbiguousName, Detail: f.Pointer + ": " + f.Detail, Faults: []Fault{f}}
}

// Absent returns the one answer for whatever a caller may not see or does not
// exist; it never says which.
func Absent() *Error {
	return &Error{Kind: NotFound, Detail: "Check the address and the names in it; GET the list one level up to see what there is."}
}

// As returns the problem in err's chain.
func As(err error) (*Error, bool) {
	var p *Error
	ok := errors.As(err, &p)
	return p, ok
}

// Is reports whether err is a problem of kind k.
func Is(err error, k Kind) bool {
	p, ok := As(err)
	return ok && p.Kind.Code == k.Code
}
