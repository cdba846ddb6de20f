// Package search finds the things of a club by what people call them: by a name,
// number, code or position, by how it begins, or by one that is spelt nearly so. What
// can be found, and by which columns, is said in the schema (findable_by), which
// keeps it in step with the rows; this package only asks.
package search

import (
	"cmp"
	"regexp"
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Kinds are what can be found, as the schema names it.
func Kinds() []string {
	return []string{"garage", "joint", "joint_template", "member", "pin_series", reservation, "tool", "tool_model", "vehicle"}
}

// reservation has no name; it is found by its id, or how that begins.
const reservation = "reservation"

// Match is how a hit was found.
type Match int16

// The matches, best first.
const (
	Exact Match = iota
	Prefix
	Alike
)

// Hit is one thing that was found, with what is known of it now.
type Hit struct {
	Kind     string
	ID       uuid.UUID
	Place    Match
	Likeness float32 // 0 to 1
	Code     *string // the people's own name for it: number, code or position
	Name     *string // of a tool that of its model
	Vehicle  *string // of a joint: the code of its vehicle
}

// leastLikeness is what a name must share with what was asked to be called alike.
// Two letters exchanged in a word of nine leave half of its trigrams, in one of
// five a third; at the 0.6 that pg_trgm takes by default such slips find nothing
// (tried on invented names, no published source). Letters exchanged at the beginning of a
// short word leave less than what unlike words share, and are not found.
const leastLikeness = "0.33"

// Found is the answer to a search; empty until the batch was sent.
type Found struct {
	named        *postgres.Rows[Hit]
	reservations *postgres.Rows[Hit]
	whole        bool // an id was asked for, not its beginning
	most         int
}

// Names looks for text among the kinds, at most so many. Served by findable_exact
// and findable_alike, and the primary keys of what is found.
func Names(b *postgres.Batch, text string, kinds []string, most int) *Found {
	f := &Found{most: most}
	postgres.Values[string](b, `select set_config('pg_trgm.word_similarity_threshold', $1, true)`, leastLikeness)
	f.named = postgres.Query[Hit](b, `
		select s.kind, s.id, s.place, s.likeness, x.code, x.name, x.vehicle
		from search_names($2, $3, $4) s
		cross join lateral (
			select g.code, g.name, null as vehicle from garage g where s.kind = 'garage' and g.club_id = $1 and g.id = s.id
			union all select m.number, m.name, null from member m where s.kind = 'member' and m.club_id = $1 and m.id = s.id
			union all select k.code, k.name, null from tool_model k where s.kind = 'tool_model' and k.club_id = $1 and k.id = s.id
			union all select t.number, k.name, null from tool t join tool_model k on k.club_id = t.club_id and k.id = t.model_id
				where s.kind = 'tool' and t.club_id = $1 and t.id = s.id
			union all select p.code, p.name, null from pin_series p where s.kind = 'pin_series' and p.club_id = $1 and p.id = s.id
			union all select h.code, h.name, null from joint_template h where s.kind = 'joint_template' and h.club_id = $1 and h.id = s.id
			union all select v.code, v.name, null from vehicle v where s.kind = 'vehicle' and v.club_id = $1 and v.id = s.id
			union all select j.position, null, v.code from joint j join vehicle v on v.club_id = j.club_id and v.id = j.vehicle_id
				where s.kind = 'joint' and j.club_id = $1 and j.id = s.id) x`, b.Club, text, kinds, most)
	if low, high, ok := idsBeginning(text); ok && slices.Contains(kinds, reservation) {
		f.whole = low == high
		f.reservations = postgres.Query[Hit](b, `
			select 'reservation' as kind, r.id, 1::smallint as place, 1::real as likeness, null as code, nullif(r.purpose, '') as name, null as vehicle
			from reservation r where r.club_id = $1 and r.id between $2 and $3 order by r.id limit $4`, b.Club, low, high, most)
	}
	return f
}

// Items are the hits, best first.
func (f *Found) Items() []Hit {
	hits := slices.Clone(f.named.Items)
	if f.reservations != nil {
		for _, r := range f.reservations.Items {
			if f.whole {
				r.Place = Exact
			}
			hits = append(hits, r)
		}
	}
	slices.SortFunc(hits, func(a, b Hit) int {
		return cmp.Or(cmp.Compare(a.Place, b.Place), cmp.Compare(b.Likeness, a.Likeness), cmp.Compare(a.Kind, b.Kind),
			cmp.Compare(said(a.Code), said(b.Code)), cmp.Compare(said(a.Vehicle), said(b.Vehicle)), slices.Compare(a.ID[:], b.ID[:]))
	})
	return hits[:min(len(hits), f.most)]
}

func said(text *string) string {
	if text == nil {
		return ""
	}
	return *text
}

// hexadecimal is the beginning of an id that is long enough to mean one: eight
// digits, as people quote them.
var hexadecimal = regexp.MustCompile(`^[0-9a-f]{8}[0-9a-f-]{0,28}$`)

// idsBeginning returns the first and the last id that begin with text.
func idsBeginning(text string) (low, high uuid.UUID, ok bool) {
	text = strings.ToLower(strings.TrimSpace(text))
	if !hexadecimal.MatchString(text) {
		return low, high, false
	}
	fill := func(digit string) (uuid.UUID, error) {
		const form = "00000000-0000-0000-0000-000000000000"
		out := []byte(text)
		for i := len(out); i < len(form); i++ {
			if form[i] == '-' {
				out = append(out, '-')
			} else {
				out = append(out, digit...)
			}
		}
		return uuid.Parse(string(out))
	}
	low, wrong := fill("0")
	high, alsoWrong := fill("f")
	return low, high, wrong == nil && alsoWrong == nil
}
