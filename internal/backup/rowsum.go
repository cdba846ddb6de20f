package backup

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"math/big"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/witness"
)

// plainText makes COPY write every value in one way, whatever the settings of
// the server or the role are.
const plainText = `set timezone = 'UTC'; set datestyle = 'ISO'; set intervalstyle = 'postgres'; set extra_float_digits = 1; set bytea_output = 'hex';
	set client_encoding = 'UTF8'; set statement_timeout = 0; set idle_in_transaction_session_timeout = 0`

// rowSum counts rows in COPY's text format and sums their SHA-256s, modulo
// 2^256: a sum that no order of the rows changes. (It finds faults and changes
// by hand; whoever can choose rows at will can make sums meet.)
type rowSum struct {
	rows int64
	sum  big.Int
	line []byte // so far
}

// Write takes COPY's output; a line feed ends a row and stands nowhere else.
func (r *rowSum) Write(b []byte) (int, error) {
	n := len(b)
	for {
		end := bytes.IndexByte(b, '\n')
		if end < 0 {
			r.line = append(r.line, b...)
			return n, nil
		}
		r.line = append(r.line, b[:end]...)
		h := sha256.Sum256(r.line)
		r.sum.Add(&r.sum, new(big.Int).SetBytes(h[:]))
		r.rows++
		r.line, b = r.line[:0], b[end+1:]
	}
}

var modulus = new(big.Int).Lsh(big.NewInt(1), 256)

func (r *rowSum) hash() witness.Hash {
	out := make([]byte, 32)
	new(big.Int).Mod(&r.sum, modulus).FillBytes(out)
	return out
}

// copyOut writes a table's rows to w and notes how many there are and their sum.
func (t *Table) copyOut(ctx context.Context, tx pgx.Tx, w io.Writer) error {
	var sum rowSum
	_, err := tx.Conn().PgConn().CopyTo(ctx, io.MultiWriter(w, &sum), `copy (select `+columnList(t.Columns)+` from `+quote(t.Name)+`) to stdout`)
	t.Rows, t.Sum = sum.rows, sum.hash()
	return err
}

// Tables reads how many rows each table of the clubs has, and their sums.
func Tables(ctx context.Context, tx pgx.Tx) ([]Table, error) {
	if _, err := tx.Exec(ctx, plainText); err != nil {
		return nil, err
	}
	list, err := tables(ctx, tx)
	for i := 0; i < len(list) && err == nil; i++ {
		err = list[i].copyOut(ctx, tx, io.Discard)
	}
	return list, err
}
