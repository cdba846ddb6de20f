package api

import (
	"bytes"
	"encoding/json"

	"pinwright/internal/problem"
)

// merged applies a merge patch (RFC 7396) to current, which is of the type that
// creates the resource, and holds the result against that type's schema: an edit
// can make nothing that could not have been created.
func merged[T any](s *Server, in *call, schema string, current T) (T, error) {
	patch, _ := in.value.(map[string]any)
	out, faults, err := mergedPart(s, schema, current, patch, "")
	return out, orInvalid(err, faults)
}

// mergedPart is merged for the part of a body that stands at the pointer at.
func mergedPart[T any](s *Server, schema string, current T, patch map[string]any, at string) (T, []problem.Fault, error) {
	var out T
	text, err := json.Marshal(current)
	if err != nil {
		return out, nil, err
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	var object any
	if err := dec.Decode(&object); err != nil {
		return out, nil, err
	}
	object = mergePatch(object, patch)
	if faults := checkValue(s.contract.doc.Components.Schemas[schema], object); len(faults) > 0 {
		for i := range faults {
			faults[i].Pointer = at + faults[i].Pointer
		}
		return out, faults, nil
	}
	if text, err = json.Marshal(object); err != nil {
		return out, nil, err
	}
	return out, nil, json.Unmarshal(text, &out)
}

// orInvalid is err, else the problem that faults make, else nil.
func orInvalid(err error, faults []problem.Fault) error {
	if err == nil && len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	return err
}

// mergePatch is MergePatch of RFC 7396, 2. The target is changed in place where it
// is an object.
func mergePatch(target, patch any) any {
	changes, isObject := patch.(map[string]any)
	if !isObject {
		return patch
	}
	object, isObject := target.(map[string]any)
	if !isObject {
		object = map[string]any{}
	}
	for name, value := range changes {
		if value == nil {
			delete(object, name)
		} else {
			object[name] = mergePatch(object[name], value)
		}
	}
	return object
}
