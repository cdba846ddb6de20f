package vehicle

import (
	"encoding/json"
	"fmt"
	"strings"

	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// Guidances of a reamer. HeldToAxis is by a pilot, a jig or the other leaf without
// saying which.
const (
	Floating     = "floating"
	HeldToAxis   = "held_to_axis"
	Pilot        = "pilot"
	Jig          = "jig"
	LineOfLeaves = "line_of_leaves"
)

// Boss is the metal about the bores; nil is not known. A joint's own members
// come before its template's.
type Boss struct {
	Kind          *string  `json:"kind,omitempty"` // closed, or rolled_eye with an open seam
	OuterNM       *int64   `json:"outer_nm,omitempty"`
	MinimumWallNM *int64   `json:"minimum_wall_nm,omitempty"`
	Material      *string  `json:"material,omitempty"` // of package pressfit
	HardnessHB    *float64 `json:"hardness_hb,omitempty"`
}

// Access is what the place of the bores allows of a tool; nil is not known.
type Access struct {
	Blind        *bool  `json:"blind,omitempty"`
	Keyway       *bool  `json:"keyway,omitempty"`
	OilGroove    *bool  `json:"oil_groove,omitempty"`
	Interrupted  *bool  `json:"interrupted,omitempty"`
	RoomBeyondNM *int64 `json:"room_beyond_nm,omitempty"`
	RoomBeforeNM *int64 `json:"room_before_nm,omitempty"`
}

// Means is how a joint can be got at.
type Means struct {
	Boss     Boss
	Access   Access
	Guidance string // empty: not said
	OffsetNM *int64 // error of the guidance, on radius; nil: the engine's default
}

// meansColumn makes a Means of the table's columns.
func meansColumn(table, name string) string {
	return strings.ReplaceAll(`json_build_object('Boss', T.boss, 'Access', T.access, 'Guidance', coalesce(T.guidance, ''), 'OffsetNM', T.guidance_offset_nm) as `, "T.", table+".") + name
}

// over returns m where it says something, else what t says. A guidance brings
// its own offset along.
func (m Means) over(t Means) Means {
	out := t
	out.Boss, out.Access = merged(t.Boss, m.Boss), merged(t.Access, m.Access)
	if m.Guidance != "" {
		out.Guidance, out.OffsetNM = m.Guidance, m.OffsetNM
	} else if m.OffsetNM != nil {
		out.OffsetNM = m.OffsetNM
	}
	return out
}

// merged is under with the members that over has in their place. It is made of
// their text, since decoding into under would write through its pointers.
func merged[T any](under, over T) (out T) {
	for _, part := range []T{under, over} {
		text, err := json.Marshal(part)
		if err == nil {
			err = json.Unmarshal(text, &out)
		}
		if err != nil {
			panic(fmt.Sprintf("vehicle: %v", err)) // plain members of ours
		}
	}
	return out
}

// MostLength bounds lengths about a bore; more is a slip of the unit.
const MostLength length.Length = 10_000_000_000

// Check reports what is wrong with m; nominal is the bore's size, nil when not
// known. Pointers begin with at.
func (m Means) Check(at string, nominal *int64) []problem.Fault {
	var faults []problem.Fault
	fault := func(pointer, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: at + pointer, Detail: fmt.Sprintf(format, args...)})
	}
	for _, l := range []struct {
		pointer string
		nm      *int64
		zero    bool
	}{
		{"/boss/diameter", m.Boss.OuterNM, false}, {"/boss/minimum_wall", m.Boss.MinimumWallNM, true},
		{"/access/room_beyond", m.Access.RoomBeyondNM, true}, {"/access/room_before", m.Access.RoomBeforeNM, true},
	} {
		switch {
		case l.nm == nil:
		case *l.nm < 0 || *l.nm == 0 && !l.zero:
			fault(l.pointer, "must be larger than zero")
		case *l.nm > int64(MostLength):
			fault(l.pointer, "must be at most 10 m; check the unit")
		}
	}
	if o := m.Boss.OuterNM; o != nil && nominal != nil && *o > 0 && *o <= *nominal {
		fault("/boss/diameter", "must be larger than the bore (%s): it is measured across the outside", length.Length(*nominal).Text(length.Millimetre))
	}
	if o := m.OffsetNM; o != nil && (*o < 0 || *o > 5_000_000) {
		fault("/guidance_offset", "must be from 0 to 5 mm: it is the error of pilot, jig or leaves on radius")
	}
	if m.Guidance == Floating && m.OffsetNM != nil && *m.OffsetNM > 0 {
		fault("/guidance_offset", "does not go with a floating reamer, which follows the bore; leave it out")
	}
	return faults
}
