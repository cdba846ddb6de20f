package tool

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Model is what kind of tool something is, with its sizes.
type Model struct {
	ID   uuid.UUID
	Code string
	Name string
	Kind Kind
	Size *length.Length `db:"size_nm"` // reamer: cutting diameter; gauge: its marked size
	// How far a reamer's cutting diameter may be from Size; both or none.
	ToleranceLower *length.Length `db:"tolerance_lower_nm"`
	ToleranceUpper *length.Length `db:"tolerance_upper_nm"`
	GaugeClass     *string
	GaugeSense     *string
	Resolution     *length.Length `db:"resolution_nm"`
	RangeFrom      *length.Length `db:"range_from_nm"`
	RangeTo        *length.Length `db:"range_to_nm"`
	Build          Build          // of a reamer
	Puller         Pull           // of a puller
	ChargeMinor    *int64         // for each use, in the club's currency
	// What one tool of it is worth, and what is left for it at the counter, where the tool says nothing else.
	ValueMinor   *int64
	DepositMinor *int64
	Parts        int // loose pieces to count when it comes back
	// TurnaroundHours is how long cleaning and looking over takes; nil: as long as the club says.
	TurnaroundHours   *int
	CertificateNeeded bool // only for members who were shown how
	ApprovalNeeded    bool
	Caution           string
	Entered           Entered
	Version           int64
}

const modelColumns = `id, code, name, kind, size_nm, tolerance_lower_nm, tolerance_upper_nm, gauge_class, gauge_sense, resolution_nm, range_from_nm, range_to_nm, build, puller,
	charge_minor, value_minor, deposit_minor, parts, turnaround_hours, certificate_needed, approval_needed, caution, entered, version`

// Check reports what is wrong with m that the contract cannot tell: sizes that do
// not go with its kind.
func (m Model) Check() []problem.Fault {
	var faults []problem.Fault
	fault := func(pointer, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf(format, args...)})
	}
	switch {
	case m.Size == nil && m.Kind.needsSize():
		fault("/size", `is needed: %s is known by its size; give it as "8.00 mm" or "0.318 in"`, m.Kind.words())
	case m.Size != nil && (m.Kind.HasScale() || m.Kind == TelescopingGauge):
		fault("/size", "does not go with %s, which has no one size; give range_from and range_to, or leave it out", m.Kind.words())
	case m.Size != nil && *m.Size <= 0:
		fault("/size", "must be greater than zero")
	case m.Size != nil && m.Kind == Puller:
		fault("/size", "does not go with a puller, which has no one size; give puller with jaw_reach, jaw_opening and stroke, or leave it out")
	}
	switch {
	case m.Resolution == nil && m.Kind.HasScale():
		fault("/resolution", `is needed: the smallest step that %s shows, such as "0.01 mm" or "0.0001 in"`, m.Kind.words())
	case m.Resolution != nil && !m.Kind.HasScale() && m.Kind != Other:
		fault("/resolution", "does not go with %s, which has no scale; leave it out", m.Kind.words())
	case m.Resolution != nil && *m.Resolution <= 0:
		fault("/resolution", "must be greater than zero")
	}
	faults = slices.Concat(faults, m.checkTolerance(), m.checkRange(), m.checkBuild(), m.checkPuller())
	if !m.Kind.IsGauge() {
		const only = "is for pin and plug gauges only, not for %s; leave it out"
		if m.GaugeClass != nil {
			fault("/gauge_class", only, m.Kind.words())
		}
		if m.GaugeSense != nil {
			fault("/gauge_sense", only, m.Kind.words())
		}
	} else if m.GaugeClass != nil && m.Size != nil && *m.Size > 0 {
		if _, err := uncertainty.ClassTolerance(uncertainty.GaugeClass(*m.GaugeClass), *m.Size); err != nil {
			fault("/gauge_class", "classes (ASME B89.1.5) cover gauges over 0.010 in up to 4.510 in only; leave it out, and record a calibration of the tool instead")
		}
	}
	return faults
}

func (m Model) checkRange() []problem.Fault {
	at := "/range_to"
	if m.RangeFrom != nil {
		at = "/range_from"
	}
	switch {
	case m.RangeFrom == nil && m.RangeTo == nil:
		return nil
	case m.Kind.IsGauge():
		return []problem.Fault{{Pointer: at, Detail: "does not go with " + m.Kind.words() + ", which has one size; give size only"}}
	case m.Kind == Reamer && (m.Build.Expansion == nil || !*m.Build.Expansion):
		return []problem.Fault{{Pointer: at, Detail: "of a reamer is for expansion reamers only; say so with build.expansion true, or leave it out"}}
	case m.Kind == Puller:
		return []problem.Fault{{Pointer: at, Detail: "does not go with a puller; give puller with jaw_reach, jaw_opening and stroke"}}
	case m.RangeTo == nil:
		return []problem.Fault{{Pointer: "/range_to", Detail: "is needed beside range_from"}}
	case m.RangeFrom != nil && *m.RangeFrom < 0:
		return []problem.Fault{{Pointer: "/range_from", Detail: "must not be below zero"}}
	case *m.RangeTo <= 0:
		return []problem.Fault{{Pointer: "/range_to", Detail: "must be greater than zero"}}
	case m.RangeFrom != nil && *m.RangeFrom > *m.RangeTo:
		return []problem.Fault{{Pointer: "/range_to", Detail: "must not be below range_from (" + m.Entered["range_from"] + ")"}}
	case m.Kind == Reamer && m.RangeFrom == nil:
		return []problem.Fault{{Pointer: "/range_from", Detail: "is needed beside range_to: the smallest that the expansion reamer cuts"}}
	case m.Kind == Reamer && m.Size != nil && (*m.Size < *m.RangeFrom || *m.Size > *m.RangeTo):
		return []problem.Fault{{Pointer: "/size", Detail: "must be within range_from and range_to: an expansion reamer is known by a size that it can be set to"}}
	}
	return nil
}

// FindModel looks a model up by id or code.
func FindModel(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Model] {
	return postgres.Query[Model](b, `select `+modelColumns+` from tool_model where club_id = $1 and (id = $2 or code = $3)`, b.Club, ref.ID, ref.Name)
}

// FindModels looks models up by ids and codes.
func FindModels(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Model] {
	ids, codes := postgres.Split(refs)
	return postgres.Query[Model](b, `select `+modelColumns+` from tool_model where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, ids, codes)
}

// LockModel is FindModel, locked until the end of the write.
func LockModel(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Model] {
	return postgres.Query[Model](b, `select `+modelColumns+` from tool_model where club_id = $1 and (id = $2 or code = $3) for no key update`, b.Club, ref.ID, ref.Name)
}

// ListModels lists models by code, after the code given; only of kind unless it
// is empty. Served by tool_model_code, with a kind by tool_model_of_kind.
func ListModels(b *postgres.Batch, kind Kind, after string, limit int) *postgres.Rows[Model] {
	if kind == "" {
		return postgres.Query[Model](b, `select `+modelColumns+` from tool_model where club_id = $1 and code > $2 order by code limit $3`, b.Club, after, limit)
	}
	return postgres.Query[Model](b, `select `+modelColumns+` from tool_model where club_id = $1 and code > $2 and kind = $4 order by code limit $3`, b.Club, after, limit, kind)
}

func codeTaken(code string) *problem.Error {
	return problem.New(problem.NameTaken, "Another tool model has the code %q. Choose another.", code)
}

// AddModel creates m.
func AddModel(tx *postgres.Tx, actor uuid.UUID, m Model) {
	AddModels(tx, actor, []Model{m}).Refuse("tool_model_code", codeTaken(m.Code))
}

// AddModels creates models in one statement, in the order of their codes, so
// that two who add the same ones wait for each other and never in a circle. A
// code that is taken violates tool_model_code; the caller says what that means.
func AddModels(tx *postgres.Tx, actor uuid.UUID, models []Model) *postgres.Effect {
	journal.AppendAll(tx, journal.Event{Type: "tool_model.created", Version: 1, Audience: journal.ForClub, Actor: actor},
		postgres.Column(models, func(m Model) uuid.UUID { return m.ID }), postgres.Column(models, func(m Model) any { return m }))
	sizes := func(of func(Model) *length.Length) []*int64 {
		return postgres.Column(models, func(m Model) *int64 { return (*int64)(of(m)) })
	}
	return tx.Queue(`
		insert into tool_model (club_id, id, code, name, kind, size_nm, gauge_class, gauge_sense, resolution_nm, range_from_nm, range_to_nm, charge_minor, caution, entered, build,
			tolerance_lower_nm, tolerance_upper_nm, puller, value_minor, deposit_minor, parts, turnaround_hours, certificate_needed, approval_needed)
		select $1, u.*
		from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::bigint[], $7::text[], $8::text[], $9::bigint[], $10::bigint[], $11::bigint[], $12::bigint[], $13::text[], $14::jsonb[], $15::jsonb[],
			$16::bigint[], $17::bigint[], $18::jsonb[], $19::bigint[], $20::bigint[], $21::integer[], $22::integer[], $23::boolean[], $24::boolean[])
			as u(id, code, name, kind, size_nm, gauge_class, gauge_sense, resolution_nm, range_from_nm, range_to_nm, charge_minor, caution, entered, build,
				tolerance_lower_nm, tolerance_upper_nm, puller, value_minor, deposit_minor, parts, turnaround_hours, certificate_needed, approval_needed)
		order by code`,
		tx.Club,
		postgres.Column(models, func(m Model) uuid.UUID { return m.ID }),
		postgres.Column(models, func(m Model) string { return m.Code }),
		postgres.Column(models, func(m Model) string { return m.Name }),
		postgres.Column(models, func(m Model) string { return string(m.Kind) }),
		sizes(func(m Model) *length.Length { return m.Size }),
		postgres.Column(models, func(m Model) *string { return m.GaugeClass }),
		postgres.Column(models, func(m Model) *string { return m.GaugeSense }),
		sizes(func(m Model) *length.Length { return m.Resolution }),
		sizes(func(m Model) *length.Length { return m.RangeFrom }),
		sizes(func(m Model) *length.Length { return m.RangeTo }),
		postgres.Column(models, func(m Model) *int64 { return m.ChargeMinor }),
		postgres.Column(models, func(m Model) string { return m.Caution }),
		postgres.Column(models, func(m Model) Entered { return m.Entered }),
		postgres.Column(models, func(m Model) Build { return m.Build }),
		sizes(func(m Model) *length.Length { return m.ToleranceLower }),
		sizes(func(m Model) *length.Length { return m.ToleranceUpper }),
		postgres.Column(models, func(m Model) Pull { return m.Puller }),
		postgres.Column(models, func(m Model) *int64 { return m.ValueMinor }),
		postgres.Column(models, func(m Model) *int64 { return m.DepositMinor }),
		postgres.Column(models, func(m Model) int { return m.Parts }),
		postgres.Column(models, func(m Model) *int { return m.TurnaroundHours }),
		postgres.Column(models, func(m Model) bool { return m.CertificateNeeded }),
		postgres.Column(models, func(m Model) bool { return m.ApprovalNeeded }))
}

// UpdateModel writes what is agreed about lending m, not what m is, as its next
// version: its kind and sizes stay as they are.
func UpdateModel(tx *postgres.Tx, actor uuid.UUID, m Model) Model {
	m.Version++
	tx.Queue(`update tool_model set code = $3, name = $4, charge_minor = $5, caution = $6, version = $7, value_minor = $8, deposit_minor = $9, parts = $10,
		turnaround_hours = $11, certificate_needed = $12, approval_needed = $13 where club_id = $1 and id = $2`,
		tx.Club, m.ID, m.Code, m.Name, m.ChargeMinor, m.Caution, m.Version, m.ValueMinor, m.DepositMinor, m.Parts, m.TurnaroundHours, m.CertificateNeeded, m.ApprovalNeeded).
		Refuse("tool_model_code", codeTaken(m.Code))
	journal.Append(tx, journal.Event{Type: "tool_model.changed", Subject: m.ID, Version: m.Version, Audience: journal.ForClub, Actor: actor}, m)
	return m
}
