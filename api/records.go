package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/history"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
	"pinwright/internal/record"
	"pinwright/internal/repair"
	"pinwright/internal/vehicle"
)

// shownRecord is a record as it is shown, in whichever form.
type shownRecord struct {
	State    string          `json:"state"`
	Vehicle  string          `json:"vehicle"`
	Hash     string          `json:"hash,omitempty"`
	MadeAt   string          `json:"made_at,omitempty"`
	CheckAt  string          `json:"check_at,omitempty"`
	Content  json.RawMessage `json:"content"` // as it was written, so that its hash can be worked out anew
	People   []RecordPerson  `json:"people"`
	Cautions []Text          `json:"cautions"`
	Summary  string          `json:"summary"`
	Warnings []Text          `json:"warnings"`

	told record.Content
	work *repair.Work
}

// GetRepairRecord implements the contract.
func (s *Server) GetRepairRecord(c echo.Context, _ InClub, name InRepair, params GetRepairRecordParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found, asked := repair.Find(b, name), record.LookUp(b, name)
		return func() (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			r, err := recordOf(w, asked)
			if err != nil {
				return answer{}, err
			}
			switch media, _, _ := strings.Cut(in.media, ";"); media {
			case "text/html":
				return recordPage(r, in.caller.Units, string(or(params.Page, "a4")))
			case "text/plain":
				return answer{status: http.StatusOK, body: []byte(recordText(r, in.caller.Units)), headers: map[string]string{"Content-Type": in.media}}, nil
			}
			return ok(r), nil
		}
	})
}

// recordOf is the record of w: as it was written, or a draft.
func recordOf(w *repair.Work, asked *record.Asked) (shownRecord, error) {
	r := shownRecord{State: "draft", Vehicle: w.VehicleCode, work: w, Warnings: []Text{},
		People: each(asked.People(), func(p record.Person) RecordPerson { return RecordPerson{Id: p.ID, Number: p.Number, Name: p.Name} })}
	kept := asked.Kept()
	if kept != nil {
		told, err := kept.Told()
		if err != nil {
			return r, err
		}
		hash := record.Hash(kept.Hash).String()
		r.State, r.Hash, r.MadeAt, r.CheckAt, r.Content, r.told = "issued", hash, kept.MadeAt.UTC().Format("2006-01-02T15:04:05.999999Z07:00"), "/v1/records/"+hash, json.RawMessage(kept.Content), told
		r.Summary = fmt.Sprintf("Record of %s of %s, number %d of the vehicle's chain.", w.Label(), w.VehicleCode, kept.Place)
	} else {
		r.told = asked.Draft(w)
		text, _, err := r.told.Canonical()
		if err != nil {
			return r, err
		}
		r.Content = text
		r.Summary = fmt.Sprintf("Draft of the record of %s of %s: the repair is not signed off, so nothing of this is final and it has no hash.", w.Label(), w.VehicleCode)
		r.Warnings = append(r.Warnings, Text{Code: "draft", Text: "This is a draft. It is written with the sign-off, and may change until then."})
	}
	if n := r.told.Unread; n > 0 {
		r.Warnings = append(r.Warnings, Text{Code: "readings_left_out", Params: &map[string]any{"count": n, "told": len(r.told.Readings)},
			Text: fmt.Sprintf("Only the newest %d readings stand here; %d older ones do not. GET readings has them.", len(r.told.Readings), n)})
	}
	if r.told.Notice != "" {
		r.Warnings = append([]Text{{Code: "advice_not_approval", Text: r.told.Notice}}, r.Warnings...)
	}
	r.Cautions = remarksOut(recommend.CautionsOf(r.told.Cautions...))
	return r, nil
}

// person tells who a member of the content is, as the club calls them now.
func (r shownRecord) person(id *uuid.UUID) string {
	if id == nil {
		return ""
	}
	for _, p := range r.People {
		if p.Id == *id {
			return strings.TrimSpace(p.Name + " (" + p.Number + ")")
		}
	}
	return "a member who is not named any more"
}

// ListVehicleRecords implements the contract.
func (s *Server) ListVehicleRecords(c echo.Context, _ InClub, name InVehicle, _ ListVehicleRecordsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		origin, _ := uuid.Parse(p.key(0, uuid.Nil.String())) // a cursor that somebody made up begins anew
		place, _ := strconv.Atoi(p.key(1, "0"))
		found := vehicle.Find(b, postgres.ParseRef(name))
		rows := history.ListRecords(b, postgres.ParseRef(name), origin, place, p.limit+1)
		return func() (answer, error) {
			if _, err := found.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(k history.Record) []string {
				return []string{or(k.OriginID, uuid.Max).String(), strconv.Itoa(k.Place)}
			})
			return in.listed(VehicleRecordPage{Items: each(items, vehicleRecordOut), Next: next}, next), nil
		}
	})
}

func vehicleRecordOut(k history.Record) VehicleRecord {
	out := VehicleRecord{Place: k.Place, Hash: record.Hash(k.Hash).String(), RepairId: k.RepairID, Repair: k.Number, MadeAt: k.MadeAt.UTC()}
	if k.Previous != nil {
		out.Previous = pointerTo(record.Hash(k.Previous).String())
	}
	if k.OriginID != nil {
		out.Origin = &Elsewhere{ClubId: *k.OriginID, Text: "It came with the vehicle from another club, and was made there."}
	}
	return out
}

// GetRecordStanding implements the contract. Which club made the record is not
// known and not told.
func (s *Server) GetRecordStanding(c echo.Context, text InRecordHash) error {
	in, invalid, err := s.begin(c)
	if err == nil {
		err = invalid
	}
	if err != nil {
		return err
	}
	out := RecordStanding{Summary: "No record with this hash was written here."}
	if hash, ok := record.ParseHash(text); ok {
		var rows *postgres.Rows[record.Standing]
		if err := s.db.Read(in.ctx, uuid.Nil, func(b *postgres.Batch) { rows = record.Stands(b, hash) }); err != nil {
			return err
		}
		if len(rows.Items) == 1 {
			out = standingOut(rows.Items[0])
		}
	}
	return in.deliver(ok(out).with("Cache-Control", "no-store"))
}

func standingOut(r record.Standing) RecordStanding {
	out := RecordStanding{Known: true, Valid: r.Whole, MadeAt: pointerTo(r.MadeAt.UTC()), Place: &r.Place, Newest: &r.Newest}
	out.Summary = fmt.Sprintf("This record was written on %s (UTC) as number %d of %d of its vehicle. It and all before it are as they were written.", r.MadeAt.UTC().Format("2 Jan 2006"), r.Place, r.Newest)
	if !r.Whole {
		out.Summary = fmt.Sprintf("A record with this hash was written on %s (UTC), but it or one before it is not as it was written. Do not rely on it.", r.MadeAt.UTC().Format("2 Jan 2006"))
	}
	return out
}
