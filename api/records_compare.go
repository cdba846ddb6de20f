package api

import (
	"crypto/sha256"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/canonical"
	"pinwright/internal/postgres"
	"pinwright/internal/record"
)

// CompareRecord implements the contract. It tells whether a content is that of a
// record, and nothing of either.
func (s *Server) CompareRecord(c echo.Context, text InRecordHash) error {
	in, invalid, err := s.begin(c)
	if err == nil {
		err = invalid
	}
	if err != nil {
		return err
	}
	body := decode[RecordComparisonIn](in)
	out := RecordComparison{Summary: "This is not what a record with this hash says."}
	hash, isHash := record.ParseHash(text)
	form, notJSON := canonical.Of([]byte(strings.TrimSpace(body.Content)))
	if isHash && notJSON == nil && sha256.Sum256(form) == hash {
		var rows *postgres.Rows[record.Standing]
		if err := s.db.Read(in.ctx, uuid.Nil, func(b *postgres.Batch) { rows = record.Stands(b, hash) }); err != nil {
			return err
		}
		if len(rows.Items) == 1 {
			out = RecordComparison{Matches: true, Summary: "This is what the record with this hash says, to the letter."}
		}
	}
	return in.deliver(ok(out).with("Cache-Control", "no-store"))
}
