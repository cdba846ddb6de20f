package vehicle

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Shapes and duties of features.
const (
	Bore    = "bore"
	Pin     = "pin"
	Running = "running"
	Held    = "held"
)

// Cylinder is what a feature has in common with the template's.
type Cylinder struct {
	Code      string `json:"code"`
	Shape     string `json:"shape"`
	Duty      string `json:"duty"`
	NominalNM *int64 `json:"nominal_nm"`
	LengthNM  *int64 `json:"length_nm"`
	Usual     bool   `json:"usual"` // meant by a reading that names only the joint
}

// Feature is one measurable cylinder of a joint.
type Feature struct {
	ID      uuid.UUID `json:"id"`
	JointID uuid.UUID `json:"joint_id"`
	Cylinder
	Version int64 `json:"version"`
}

// featureColumns are named as Feature's fields are in JSON, so that a joint can
// carry its features in one row.
const featureColumns = `id, joint_id, code, shape, duty, nominal_nm, length_nm, usual, version`

// FindFeature looks a feature up by its id.
func FindFeature(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Feature] {
	return postgres.Query[Feature](b, `select `+featureColumns+` from feature where club_id = $1 and id = $2`, b.Club, id)
}

// nominalOf is the nominal size of a set of features: that of the usual one,
// else the first known.
func nominalOf(features []Cylinder) *int64 {
	var first *int64
	for _, f := range features {
		if f.Usual && f.NominalNM != nil {
			return f.NominalNM
		}
		if first == nil {
			first = f.NominalNM
		}
	}
	return first
}

// withNominal gives the features a nominal size: every one that had the joint's
// or none. One with a size of its own keeps it.
func withNominal(features []Cylinder, nominal *int64) []Cylinder {
	was := nominalOf(features)
	out := make([]Cylinder, len(features))
	for i, f := range features {
		if nominal != nil && (f.NominalNM == nil || *f.NominalNM == *was) {
			f.NominalNM = nominal
		}
		out[i] = f
	}
	return out
}

// FeatureLength is how long the feature of that code is; nil where that is not known.
type FeatureLength struct {
	Code     string
	LengthNM *int64
}

// WithLengths is j with its features so long as lengths say, and what is wrong with those; the faults' pointers
// are below at.
func (j Joint) WithLengths(at string, lengths []FeatureLength) (Joint, []problem.Fault) {
	var faults []problem.Fault
	j.Features = slices.Clone(j.Features)
	seen := map[string]bool{}
	for i, l := range lengths {
		here := fmt.Sprintf("%s/%d", at, i)
		k := slices.IndexFunc(j.Features, func(f Feature) bool { return f.Code == l.Code })
		switch {
		case k < 0:
			codes := make([]string, len(j.Features))
			for n, f := range j.Features {
				codes[n] = f.Code
			}
			faults = append(faults, problem.Fault{Pointer: here + "/feature", Detail: "the joint has no feature of this code; it has: " + strings.Join(codes, ", ")})
			continue
		case seen[l.Code]:
			faults = append(faults, problem.Fault{Pointer: here + "/feature", Detail: "stands twice; give each feature one length"})
			continue
		}
		seen[l.Code] = true
		faults = append(faults, positive(here+"/length", l.LengthNM)...)
		j.Features[k].LengthNM = l.LengthNM
	}
	return j, faults
}

// checkFeatures reports what is wrong with a template's features, and marks the
// usual one when none is marked: the first bore, else the first of all.
func checkFeatures(features []Cylinder) []problem.Fault {
	var faults []problem.Fault
	seen := map[string]bool{}
	usual, firstBore := -1, -1
	for i, f := range features {
		at := fmt.Sprintf("/features/%d", i)
		if seen[f.Code] {
			faults = append(faults, problem.Fault{Pointer: at + "/code", Detail: fmt.Sprintf("%q stands twice; give each feature a code of its own", f.Code)})
		}
		seen[f.Code] = true
		if f.Usual && usual >= 0 {
			faults = append(faults, problem.Fault{Pointer: at + "/usual", Detail: fmt.Sprintf("%q is the usual feature already; mark one at most", features[usual].Code)})
		}
		if f.Usual && usual < 0 {
			usual = i
		}
		if f.Shape == Bore && firstBore < 0 {
			firstBore = i
		}
		faults = append(faults, positive(at+"/nominal", f.NominalNM)...)
		faults = append(faults, positive(at+"/length", f.LengthNM)...)
	}
	if usual < 0 && len(features) > 0 {
		features[max(firstBore, 0)].Usual = true
	}
	return faults
}

// positive reports a size that is zero or less.
func positive(at string, nm *int64) []problem.Fault {
	if nm == nil || *nm > 0 {
		return nil
	}
	return []problem.Fault{{Pointer: at, Detail: "must be larger than zero"}}
}
