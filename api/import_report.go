package api

import (
	"fmt"
	"strings"
	"time"

	"pinwright/internal/imports"
	"pinwright/internal/reading"
	"pinwright/internal/sheet"
)

// report tells what became of every row.
func (r *importing) report(dryRun, partial bool) ImportReport {
	out := ImportReport{Kind: ImportKind(r.Kind), DryRun: dryRun, RowsRead: len(r.bodies), Rows: make([]ImportRow, len(r.bodies)),
		Warnings: []Text{}, Assumed: each(append(append([]sheet.Assumption{}, r.Sheet.Assumed...), r.assumed...), func(a sheet.Assumption) Text { return Text{Code: a.Code, Text: a.Text} })}
	for _, c := range r.Columns {
		column := ImportColumn{Column: c.Name, Unit: present(c.Unit), How: ImportColumnHow(c.How)}
		if c.Field != nil {
			column.Field = &c.Field.Name
		}
		if c.How == imports.NotTaken {
			out.Warnings = append(out.Warnings, Text{Code: "column_not_taken", Params: &map[string]any{"column": c.Name},
				Text: fmt.Sprintf("Nothing was taken from the column %q; say what it is with map=%s=field, or that it does not count with ignore=%s.", c.Name, c.Name, c.Name)})
		}
		out.Columns = append(out.Columns, column)
	}
	for i, o := range r.outcomes {
		row := ImportRow{Row: r.bodies[i].Row, Status: ImportRowStatus(o.status), Name: present(o.name), Note: present(o.note)}
		switch {
		case len(o.faults) > 0:
			row.Status, row.Errors = ImportRowStatus(reading.Refused), &r.outcomes[i].faults
			out.Refused++
		case o.status == reading.Exists:
			row.Id = &r.outcomes[i].id
			out.Existing++
		default:
			if len(o.also) > 0 {
				row.AlsoMade = &r.outcomes[i].also
			}
			if !dryRun {
				row.Id = &r.outcomes[i].id
			}
			out.Created++
		}
		out.Rows[i] = row
	}
	out.Summary = summaryOf(out, partial)
	out.DoNext = r.nextSteps(out)
	return out
}

// summaryOf is the same of a rehearsal and of the import.
func summaryOf(out ImportReport, partial bool) string {
	parts := []string{}
	add := func(n int, what string) {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, what))
		}
	}
	add(out.Created, "new")
	add(out.Existing, "there already")
	add(out.Refused, "to mend")
	kind := strings.ReplaceAll(string(out.Kind), "_", " ")
	text := fmt.Sprintf("%s%s: %s.", strings.ToUpper(kind[:1]), kind[1:], strings.Join(parts, ", "))
	switch {
	case out.Refused == 0:
	case partial && out.Refused < out.RowsRead:
		text += " The rows to mend are left out."
	default:
		text += " Nothing is taken while rows are to mend."
	}
	return text
}

func (r *importing) nextSteps(out ImportReport) []Text {
	steps := []Text{}
	add := func(code, format string, args ...any) {
		steps = append(steps, Text{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	if out.Refused > 0 {
		add("mend_rows", "Mend what `rows` lists as refused, each in the column it names, and send the sheet again; what came in already is known then.")
	}
	switch {
	case out.DryRun && out.Created > 0:
		add("import_it", "If this is as it should be, send it again without dry_run.")
	case !out.DryRun && out.Created > 0:
		add("look_through", "Look through what came in; POST …/revert takes it back as long as nothing rests on it.")
	}
	return steps
}

// keep keeps the import with its report and answers it.
func (r *importing) keep(report ImportReport) (answer, error) {
	body, err := render(report)
	if err != nil {
		return answer{}, err
	}
	i := imports.Import{ID: newID(), Kind: r.Kind, MemberID: r.in.caller.MemberID, CreatedAt: r.tx.Now.Truncate(time.Microsecond), Version: 1,
		Created: int32(report.Created), Existing: int32(report.Existing), Refused: int32(report.Refused)} //nolint:gosec // bounded by sheet.MostRows
	imports.Keep(r.tx, i, body, r.made)
	return created(r.in.path("imports", i.ID.String()), importOut(i, report)), nil
}
