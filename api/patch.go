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
	var out T
	text, err := json.Marshal(current)
	if err != nil {
		return out, err
	}
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	var object map[string]any
	if err := dec.Decode(&object); err != nil {
		return out, err
	}
	patch, _ := in.value.(map[string]any)
	object = mergePatch(object, patch)
	if faults := checkValue(s.contract.doc.Components.Schemas[schema], object); len(faults) > 0 {
		return out, problem.Invalid(faults...)
	}
	if text, err = json.Marshal(object); err != nil {
		return out, err
	}
	return out, json.Unmarshal(text, &out)
}

// mergePatch is MergePatch of RFC 7396, 2, for objects.
func mergePatch(target, patch map[string]any) map[string]any {
	if target == nil {
		target = map[string]any{}
	}
	for name, value := range patch {
		switch v := value.(type) {
		case nil:
			delete(target, name)
		case map[string]any:
			inner, _ := target[name].(map[string]any)
			target[name] = mergePatch(inner, v)
		default:
			target[name] = v
		}
	}
	return target
}
