package soundness

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

	"github.com/google/uuid"
)

// recordRow is a record of a repair with what the journal binds of it.
type recordRow struct {
	club, id, vehicle, repair uuid.UUID
	place                     int
	previous, hash            []byte
	content                   string
	bound                     []byte // digest of the event that tells of it; nil without one
}

// bind is what the journal's event of r digests.
func (r recordRow) bind() ([]byte, error) {
	text, err := json.Marshal(struct {
		ID       uuid.UUID
		RepairID uuid.UUID
		Place    int
		Hash     string
	}{r.id, r.repair, r.place, hex.EncodeToString(r.hash)})
	sum := sha256.Sum256(text)
	return sum[:], err
}

// records works the hash of every record of a repair out anew, follows the chain
// of each vehicle, and holds both against what the journal told when it was made.
func (t tx) records() (Check, error) {
	c := Check{Name: "records"}
	rows, err := t.Query(t.ctx, `
		select r.club_id, r.id, r.vehicle_id, r.repair_id, r.place, r.previous, r.hash, r.content, e.digest
		from repair_record r left join event e on e.club_id = r.club_id and e.type = 'record.made' and e.subject = r.id
		order by r.club_id, r.vehicle_id, r.place`)
	if err != nil {
		return c, err
	}
	defer rows.Close()
	var last recordRow
	n, chains := 0, 0
	for rows.Next() {
		var r recordRow
		if err := rows.Scan(&r.club, &r.id, &r.vehicle, &r.repair, &r.place, &r.previous, &r.hash, &r.content, &r.bound); err != nil {
			return c, err
		}
		n++
		if r.club != last.club || r.vehicle != last.vehicle {
			last = recordRow{club: r.club, vehicle: r.vehicle}
			chains++
		}
		if err := c.holdRecord(r, last); err != nil {
			return c, err
		}
		last = r
	}
	c.Found = fmt.Sprintf("%d in %d chains", n, chains)
	return c, rows.Err()
}

// holdRecord holds r against the record before it.
func (c *Check) holdRecord(r, last recordRow) error {
	if sum := sha256.Sum256([]byte(r.content)); !bytes.Equal(sum[:], r.hash) {
		c.fault("club %s: the content of record %s does not fit its hash", r.club, r.id)
	}
	if r.place != last.place+1 {
		c.fault("club %s: record %s stands at %d where %d should", r.club, r.id, r.place, last.place+1)
	} else if !bytes.Equal(r.previous, last.hash) {
		c.fault("club %s: record %s does not follow the record before it", r.club, r.id)
	}
	var says struct {
		Place    int       `json:"place"`
		Previous string    `json:"previous"`
		Vehicle  uuid.UUID `json:"vehicle_id"`
		Repair   struct {
			ID uuid.UUID `json:"id"`
		} `json:"repair"`
	}
	if err := json.Unmarshal([]byte(r.content), &says); err != nil {
		c.fault("club %s: the content of record %s cannot be read", r.club, r.id)
	} else if says.Place != r.place || says.Previous != hex.EncodeToString(r.previous) || says.Vehicle != r.vehicle || says.Repair.ID != r.repair {
		c.fault("club %s: the content of record %s is of another record", r.club, r.id)
	}
	bound, err := r.bind()
	if err != nil {
		return err
	}
	switch {
	case r.bound == nil:
		c.fault("club %s: the journal tells of no record %s", r.club, r.id)
	case !bytes.Equal(r.bound, bound):
		c.fault("club %s: record %s is not the one that the journal tells of", r.club, r.id)
	}
	return nil
}
