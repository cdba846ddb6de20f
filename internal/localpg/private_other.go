//go:build !unix

package localpg

import (
	"context"
	"errors"
)

func openPrivate(context.Context, Options) (*Cluster, error) {
	return nil, errors.New("a private cluster needs a Unix system: " +
		"start PostgreSQL yourself and set PINWRIGHT_DATABASE_URL=postgres://admin:…@localhost:5432/postgres")
}
