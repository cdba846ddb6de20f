package soundness

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

	"github.com/google/uuid"
)

// histories works the digest of every row that came from another club out anew,
// follows the chains of the records that came, and holds each import against what
// the journal told when it was made.
func (t tx) histories() (Check, error) {
	c := Check{Name: "histories"}
	changed, err := collect[string](t, `select format('club %s: the %s %s does not fit its digest', club_id, section, row_id) from history_row where digest <> sha256(convert_to(content, 'UTF8')) order by 1`)
	if err != nil {
		return c, err
	}
	c.Faults = append(c.Faults, changed...)
	records, of, err := t.cameRecords(&c)
	if err != nil {
		return c, err
	}
	imports, err := t.cameImports(&c, of)
	c.Found = fmt.Sprintf("%d that came in, with %d records", imports, records)
	return c, err
}

// cameRecords follows the chains, and returns each import's hashes in their order.
func (t tx) cameRecords(c *Check) (n int, of map[uuid.UUID][]string, err error) {
	of = map[uuid.UUID][]string{}
	rows, err := t.Query(t.ctx, `select club_id, vehicle_id, origin_id, place, previous, hash, content, import_id from history_record order by club_id, vehicle_id, origin_id, place`)
	if err != nil {
		return 0, nil, err
	}
	defer rows.Close()
	type link struct {
		club, vehicle, origin uuid.UUID
		place                 int
		hash                  []byte
	}
	var last link
	for rows.Next() {
		var at link
		var previous []byte
		var content string
		var by uuid.UUID
		if err := rows.Scan(&at.club, &at.vehicle, &at.origin, &at.place, &previous, &at.hash, &content, &by); err != nil {
			return 0, nil, err
		}
		n++
		of[by] = append(of[by], hex.EncodeToString(at.hash))
		if at.club != last.club || at.vehicle != last.vehicle || at.origin != last.origin {
			last = link{}
		}
		name := fmt.Sprintf("club %s: record %d of %s that came from %s", at.club, at.place, at.vehicle, at.origin)
		if sum := sha256.Sum256([]byte(content)); !bytes.Equal(sum[:], at.hash) {
			c.fault("%s does not fit its hash", name)
		}
		if at.place != last.place+1 || !bytes.Equal(previous, last.hash) {
			c.fault("%s does not follow the record before it", name)
		}
		last = at
	}
	return n, of, rows.Err()
}

// cameImports holds each import, with the records that came with it, against the
// journal.
func (t tx) cameImports(c *Check, of map[uuid.UUID][]string) (n int, err error) {
	rows, err := t.Query(t.ctx, `select i.club_id, i.id, i.vehicle_id, i.from_club, i.hash, e.digest from history_import i
		left join event e on e.club_id = i.club_id and e.type = 'history.imported' and e.subject = i.id order by i.club_id, i.id`)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var club, id, vehicle, from uuid.UUID
		var hash, bound []byte
		if err := rows.Scan(&club, &id, &vehicle, &from, &hash, &bound); err != nil {
			return 0, err
		}
		n++
		records := of[id]
		if records == nil {
			records = []string{}
		}
		text, err := json.Marshal(struct {
			ID        uuid.UUID
			VehicleID uuid.UUID
			FromClub  uuid.UUID
			Hash      string
			Records   []string
		}{id, vehicle, from, hex.EncodeToString(hash), records})
		if err != nil {
			return 0, err
		}
		switch sum := sha256.Sum256(text); {
		case bound == nil:
			c.fault("club %s: the journal tells of no import %s", club, id)
		case !bytes.Equal(bound, sum[:]):
			c.fault("club %s: import %s, or the records that came with it, is not what the journal tells of", club, id)
		}
	}
	return n, rows.Err()
}
