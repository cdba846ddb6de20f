package parts

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Supplier is who something is ordered from.
type Supplier struct {
	ID         uuid.UUID
	Code       string
	Name       string
	Note       string `json:"-"` // what people write stays out of the journal
	StatedDays *int
	RetiredAt  *time.Time
	Version    int64
}

const supplierColumns = `s.id, s.code, s.name, s.note, s.stated_days, s.retired_at, s.version`

// namedSupplier are the suppliers that a name may mean: $2 is the id, $3 the code.
const namedSupplier = `select n.id from supplier n where n.club_id = $1 and (n.id = $2 or n.code = $3)`

// FindSupplier looks a supplier up, with what its deliveries took.
func FindSupplier(b *postgres.Batch, ref postgres.Ref) (*postgres.Rows[Supplier], *Deliveries) {
	return postgres.Query[Supplier](b, `select `+supplierColumns+` from supplier s where s.club_id = $1 and s.id in (`+namedSupplier+`)`, b.Club, ref.ID, ref.Name),
		deliveries(b, namedSupplier, ref.ID, ref.Name)
}

// LockSupplier is FindSupplier, locked until the end of the write.
func LockSupplier(b *postgres.Batch, ref postgres.Ref) (*postgres.Rows[Supplier], *Deliveries) {
	return postgres.Query[Supplier](b, `select `+supplierColumns+` from supplier s where s.club_id = $1 and s.id in (`+namedSupplier+`) for no key update`, b.Club, ref.ID, ref.Name),
		deliveries(b, namedSupplier, ref.ID, ref.Name)
}

// ListSuppliers lists suppliers by code, after the code given, with what their deliveries took.
// Served by supplier_code.
func ListSuppliers(b *postgres.Batch, retired bool, after string, limit int) (*postgres.Rows[Supplier], *Deliveries) {
	const page = `from supplier s where s.club_id = $1 and s.code > $2 and (s.retired_at is not null) = $3 order by s.code limit $4`
	return postgres.Query[Supplier](b, `select `+supplierColumns+` `+page, b.Club, after, retired, limit), deliveries(b, `select s.id `+page, after, retired, limit)
}

func taken(code string) *problem.Error {
	return problem.New(problem.NameTaken, "Another supplier has the code %q. Choose another.", code)
}

// AddSupplier creates s.
func AddSupplier(tx *postgres.Tx, actor uuid.UUID, s Supplier) {
	tx.Queue(`insert into supplier (club_id, id, code, name, note, stated_days) values ($1, $2, $3, $4, $5, $6)`,
		tx.Club, s.ID, s.Code, s.Name, s.Note, s.StatedDays).
		Refuse("supplier_code", taken(s.Code))
	journal.Append(tx, journal.Event{Type: "supplier.created", Subject: s.ID, Version: s.Version, Audience: journal.ForClub, Actor: actor}, s)
}

// ChangeSupplier keeps s as it is now.
func ChangeSupplier(tx *postgres.Tx, actor uuid.UUID, s Supplier) Supplier {
	s.Version++
	tx.Queue(`update supplier set code = $3, name = $4, note = $5, stated_days = $6, retired_at = $7, version = $8 where club_id = $1 and id = $2`,
		tx.Club, s.ID, s.Code, s.Name, s.Note, s.StatedDays, s.RetiredAt, s.Version).
		Refuse("supplier_code", taken(s.Code))
	journal.Append(tx, journal.Event{Type: "supplier.changed", Subject: s.ID, Version: s.Version, Audience: journal.ForClub, Actor: actor}, s)
	return s
}
