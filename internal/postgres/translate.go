package postgres

import (
	"context"
	"errors"
	"io"
	"net"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"pinwright/internal/problem"
)

// SQLSTATEs that are told apart (PostgreSQL documentation, appendix A).
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	// foreignKeyViolation means that what the lookups found was taken away before
	// the effects came: run again, they no longer find it and the decision says so.
	foreignKeyViolation = "23503"
	lockNotAvailable    = "55P03"
	queryCanceled       = "57014"
)

func sqlState(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}

// overtaken is a violation of a constraint that means that another write was
// faster.
type overtaken struct{ *pgconn.PgError }

func (o *overtaken) Unwrap() error { return o.PgError }

func retryable(err error) string {
	var o *overtaken
	if errors.As(err, &o) {
		return o.Code
	}
	switch s := sqlState(err); s {
	case serializationFailure, deadlockDetected, foreignKeyViolation:
		return s
	}
	return ""
}

// LockTimeout reports whether err is a lock that was waited for in vain.
func LockTimeout(err error) bool { return sqlState(err) == lockNotAvailable }

func unavailable(err error) error {
	if _, ok := problem.As(err); ok {
		return err
	}
	return &problem.Error{Kind: problem.Unavailable, Detail: "The database did not answer in time. Send the same request again, with the same key: it takes effect once.", RetryAfter: time.Second, Cause: err}
}

// translate turns faults of the way to the database into a problem that asks
// to try again, and leaves everything else as it is.
func translate(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := problem.As(err); ok {
		return err
	}
	state := sqlState(err)
	switch {
	case state == lockNotAvailable, state == queryCanceled,
		len(state) == 5 && (state[:2] == "08" || state[:2] == "53" || state[:2] == "57"):
		return unavailable(err)
	case state != "":
		return err
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return unavailable(err)
	}
	var connect *pgconn.ConnectError
	if errors.As(err, &connect) || pgconn.SafeToRetry(err) || pgconn.Timeout(err) {
		return unavailable(err)
	}
	var network net.Error
	if errors.As(err, &network) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) || errors.Is(err, net.ErrClosed) {
		return unavailable(err)
	}
	return err
}
