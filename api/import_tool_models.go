package api

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/imports"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

func (r *importing) queueToolModels(b *postgres.Batch) func() error {
	known := tool.FindModels(b, r.keys("code"))
	return func() error { return r.judgeToolModels(known) }
}

func (r *importing) judgeToolModels(found *postgres.Rows[tool.Model]) error {
	r.begin() // anew, now that the currency is known in which prices are
	known := indexOf(found.Items, func(m tool.Model) uuid.UUID { return m.ID }, func(m tool.Model) string { return m.Code }).byName
	seen := map[string]int{}
	var fresh []tool.Model
	for i := range r.bodies {
		body, err := decodeRow[ToolModelIn](r, i, "ToolModelIn", false)
		if err != nil {
			return err
		}
		if r.outcomes[i].name = body.Code; !r.sound(i) || !r.once(i, seen, "/code", body.Code) {
			continue
		}
		if was := known[body.Code]; was != nil {
			said, err := r.saidOfModel(r.bodies[i].Thing, false, *was)
			if err != nil {
				return err
			}
			r.onRecord(i, was.ID, said...)
			continue
		}
		m, err := newToolModel(r.in, body)
		if err := r.refuseErr(i, false, err); err != nil {
			return err
		}
		if !r.sound(i) {
			continue
		}
		r.create(i, m.ID)
		r.makes(i, imports.AToolModel, m.ID)
		fresh = append(fresh, m)
	}
	if len(fresh) > 0 {
		tool.AddModels(r.tx, r.in.caller.MemberID, fresh).RunAgainOn("tool_model_code")
	}
	return nil
}

// saidOfModel is what a row says of a model in object, beside the model itself.
func (r *importing) saidOfModel(object map[string]any, ofModel bool, m tool.Model) ([]saying, error) {
	text, err := json.Marshal(toolModelIn(r.in, m))
	if err != nil {
		return nil, err
	}
	var record map[string]any
	if err := json.Unmarshal(text, &record); err != nil {
		return nil, err
	}
	var out []saying
	for _, c := range r.Columns {
		if c.Field == nil || c.Field.Model != ofModel {
			continue
		}
		given := memberAt(object, c.Field.Pointer)
		if given == nil {
			continue
		}
		s := saying{pointer: c.Field.Pointer, given: true, ofModel: ofModel}
		if s.same, s.record, err = r.sameAs(given, memberAt(record, c.Field.Pointer)); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// memberAt is the member that a pointer of plain names leads to.
func memberAt(object map[string]any, pointer string) any {
	var value any = object
	for name := range strings.SplitSeq(pointer[1:], "/") {
		inner, _ := value.(map[string]any)
		value = inner[name]
	}
	return value
}

// sameAs holds what a row gives against what is on record, both as a body holds
// them, and says what that is.
func (r *importing) sameAs(given, record any) (same bool, text string, err error) {
	kept, isObject := record.(map[string]any)
	switch {
	case record == nil:
		return false, "", nil
	case isObject && kept["minor"] != nil:
		var a, b MoneyIn
		if err := into(&a, given); err != nil {
			return false, "", err
		}
		if err := into(&b, record); err != nil {
			return false, "", err
		}
		return a.Minor == b.Minor && or(a.Currency, r.in.caller.Currency) == r.in.caller.Currency, moneyOut(b.Minor, r.in.caller.Currency).Text, nil
	case isObject:
		var a, b length.Quantity
		if err := into(&a, given); err != nil {
			return false, "", err
		}
		if err := into(&b, record); err != nil {
			return false, "", err
		}
		return a.Length() == b.Length(), lengthOut(b.Length(), r.in.caller.Units).Text, nil
	}
	if text, isText := record.(string); isText {
		if text == "" {
			return given == "", "", nil
		}
		return given == text, fmt.Sprintf("%q", text), nil
	}
	return fmt.Sprint(given) == fmt.Sprint(record), fmt.Sprint(record), nil
}

// into reads a value of a body as what it is.
func into(out, value any) error {
	text, err := json.Marshal(value)
	if err != nil {
		return err
	}
	return json.Unmarshal(text, out)
}

// saysMoney is what a row says of an amount.
func (r *importing) saysMoney(pointer string, given *MoneyIn, record *int64) saying {
	s := saying{pointer: pointer, given: given != nil}
	if record != nil {
		s.record = moneyOut(*record, r.in.caller.Currency).Text
		s.same = given != nil && given.Minor == *record && or(given.Currency, r.in.caller.Currency) == r.in.caller.Currency
	}
	return s
}

// saysDay is what a row says of a day.
func saysDay(pointer string, given, record *time.Time) saying {
	s := saying{pointer: pointer, given: given != nil}
	if record != nil {
		s.record = record.Format(time.DateOnly)
		s.same = given != nil && given.Format(time.DateOnly) == s.record
	}
	return s
}
