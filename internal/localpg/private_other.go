//go:build !unix

package localpg

import (
	"context"
	"fmt"
)

func openPrivate(context.Context, Options) (*Cluster, error) {
	return nil, fmt.Errorf("%w: a private cluster needs a Unix system: "+
		"start PostgreSQL yourself and set PINWRIGHT_DATABASE_URL=postgres://admin:…@localhost:5432/postgres", errNothing)
}
