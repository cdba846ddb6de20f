package tool

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Instrument is a tool as whoever weighs a reading needs it: its sizes and its
// newest calibration. Tools that do not measure are instruments too, so that a
// reading said to be made with one can be refused by its kind.
type Instrument struct {
	ID         uuid.UUID
	Number     string
	ModelCode  string
	Kind       Kind
	State      State
	Size       *length.Length `db:"size_nm"` // of a gauge: its marked size
	GaugeClass *string
	GaugeSense *string
	Resolution *length.Length `db:"resolution_nm"`
	Entered    Entered        // the model's lengths as they were entered

	// The newest calibration; all nil when there is none. Deviation is nil also
	// when the certificate states none.
	CalibratedOn   *time.Time
	DueOn          *time.Time
	Expanded       *length.Length `db:"expanded_nm"`
	CoverageFactor *float64
	Deviation      *length.Length `db:"deviation_nm"`
}

const selectInstrument = `select t.id, t.number, m.code as model_code, m.kind, t.state, m.size_nm, m.gauge_class, m.gauge_sense, m.resolution_nm, m.entered,
	c.calibrated_on, c.due_on, c.expanded_nm, c.coverage_factor, c.deviation_nm
	from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	left join lateral (select * from calibration c where c.club_id = t.club_id and c.tool_id = t.id ` + newest + ` limit 1) c on true
	where t.club_id = $1`

// Instruments looks tools up by ids or numbers, in the order of their ids.
// Names that nothing has are left out.
func Instruments(b *postgres.Batch, refs ...postgres.Ref) *postgres.Rows[Instrument] {
	ids, names := postgres.Split(refs)
	return postgres.Query[Instrument](b, selectInstrument+` and (t.id = any($2) or t.number = any($3)) order by t.id`, b.Club, ids, names)
}
