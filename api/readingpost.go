package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
)

// entryOf reads one reading of a body that stands at pointer, and whether it
// brings an id. It holds against the contract.
func entryOf(pointer string, text []byte) (e reading.Entry, hasID bool) {
	e.Pointer = pointer
	var body ReadingIn
	if err := json.Unmarshal(text, &body); err != nil {
		e.Faults = []problem.Fault{{Pointer: pointer, Detail: "does not fit the contract; the reference shows its form"}}
		return e, false
	}
	if body.Id != nil {
		e.ID, hasID = *body.Id, true
	}
	e.Vehicle, e.Joint, e.Feature, e.Instrument = or(body.Vehicle, ""), or(body.Joint, ""), or(body.Feature, ""), or(body.Instrument, "")
	e.Value = body.Value
	e.Result, e.Method = string(or(body.Result, "")), string(or(body.With, ""))
	e.Station, e.End = string(or(body.Station, "")), string(or(body.End, ""))
	e.Stage, e.Surface = string(or(body.Stage, "")), string(or(body.Surface, ""))
	e.Direction, e.PartLength, e.Deburred, e.TakenAt = body.Direction, body.PartLength, body.Deburred, body.TakenAt
	if t := body.Temperature; t != nil {
		celsius := t.Value
		if t.Unit == DegF {
			celsius = (t.Value - 32) / 1.8
		}
		e.Celsius = &celsius
		if celsius < -60 || celsius > 400 {
			e.Faults = append(e.Faults, problem.Fault{Pointer: pointer + "/temperature/value", Detail: "must be from -60 to 400 Cel (-76 to 752 [degF])"})
		}
	}
	if body.Gauge != nil {
		if fault := readGauge(*body.Gauge, &e); fault != "" {
			e.Faults = append(e.Faults, problem.Fault{Pointer: pointer + "/gauge", Detail: fault})
		}
	}
	return e, hasID
}

// readGauge takes a gauge's size or tool number into e, or says how to mend it.
// A text that begins like a size but cannot be one is told as a size.
func readGauge(text json.RawMessage, e *reading.Entry) (mend string) {
	var q length.Quantity
	err := q.UnmarshalJSON(text)
	if err == nil {
		e.GaugeSize = &q
		return ""
	}
	var name string
	if json.Unmarshal(text, &name) != nil || lengthLike(name) {
		return err.Error()
	}
	e.GaugeTool = name
	return ""
}

// lengthLike tells a size that is out of range or has too many digits from a tool
// number.
func lengthLike(text string) bool {
	number := strings.TrimLeft(text, "+-")
	unit := strings.TrimLeft(number, ".0123456789")
	_, err := length.ParseUnit(strings.TrimSpace(unit))
	return err == nil && unit != number
}

// rowsOf reads the readings of a body, each with its faults, and whether the
// body is a batch.
func (s *Server) rowsOf(in *call) (entries []reading.Entry, batch bool) {
	object, _ := in.value.(map[string]any)
	rows, batch := object[in.op.Batch].([]any)
	texts := []json.RawMessage{in.body}
	if batch {
		texts = decode[struct{ Readings []json.RawMessage }](in).Readings
	} else {
		rows = []any{in.value}
	}
	schema := s.contract.doc.Components.Schemas["ReadingIn"]
	entries = make([]reading.Entry, len(rows))
	for i, row := range rows {
		pointer := ""
		if batch {
			pointer = fmt.Sprintf("/%s/%d", in.op.Batch, i)
		}
		hasID := false
		if faults := checkValue(schema, row); len(faults) > 0 {
			for j := range faults {
				faults[j].Pointer = pointer + faults[j].Pointer
			}
			entries[i] = reading.Entry{Pointer: pointer, Faults: faults}
			fields, isObject := row.(map[string]any)
			_, hasID = fields["id"]
			hasID = hasID || !isObject
		} else {
			entries[i], hasID = entryOf(pointer, texts[i])
		}
		switch {
		case hasID:
		case in.key == nil:
			in.fault = problem.New(problem.KeyMissing, "Give every reading an id (a UUID of version 7), or send the header Idempotency-Key; GET /v1/new-id makes either.")
		default:
			entries[i].ID = newID()
		}
	}
	return entries, batch
}

// CreateReadings implements the contract.
func (s *Server) CreateReadings(c echo.Context, _ InClub, params CreateReadingsParams) error {
	tries := 0
	var results []reading.Result // of the attempt that was kept
	err := s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		tries++
		entries, batch := s.rowsOf(in)
		post := reading.QueuePost(b, entries, tries > 1)
		return func(tx *postgres.Tx) (answer, error) {
			var err error
			if results, err = post.Record(in.ctx, tx, in.caller.MemberID); err != nil {
				return answer{}, err
			}
			if batch {
				return in.reported(results, or(params.Atomic, false))
			}
			r := results[0]
			switch r.Status {
			case reading.Created:
				return created(in.path("readings", r.Reading.ID.String()), readingOut(r.Reading, in.caller.Units)), nil
			case reading.Exists:
				return answer{status: http.StatusOK, body: readingOut(r.Reading, in.caller.Units)}, nil
			}
			return answer{}, refusal(r)
		}
	})
	if err == nil && !eventOf(c).replayed {
		s.metrics.posted(results)
	}
	return err
}

// posted counts the readings of a post that was answered.
func (m *metrics) posted(results []reading.Result) {
	m.batch.Observe(float64(len(results)))
	for _, r := range results {
		m.rows.WithLabelValues(string(r.Status)).Inc()
	}
}

// reported answers a batch with a row for each reading, or refuses all of an
// atomic one for any fault.
func (in *call) reported(results []reading.Result, atomic bool) (answer, error) {
	report := ReadingReport{Rows: make([]ReadingRow, len(results))}
	var faults []problem.Fault
	for i, r := range results {
		row := ReadingRow{Row: i, Status: ReadingRowStatus(r.Status)}
		switch r.Status {
		case reading.Refused:
			report.Refused++
			row.Errors = pointerTo(each(r.Faults, faultOut))
			faults = append(faults, r.Faults...)
		case reading.Exists:
			report.Existing++
		default:
			report.Created++
		}
		if r.Status != reading.Refused {
			row.Id = pointerTo(r.Reading.ID)
			row.Reading = pointerTo(readingOut(r.Reading, in.caller.Units))
		}
		report.Rows[i] = row
	}
	if atomic && len(faults) > 0 {
		return answer{}, problem.Invalid(faults...)
	}
	return ok(report), nil
}

func faultOut(f problem.Fault) FieldFault {
	out := FieldFault{Pointer: f.Pointer, Detail: f.Detail}
	if len(f.Candidates) > 0 {
		out.Candidates = &f.Candidates
	}
	return out
}
