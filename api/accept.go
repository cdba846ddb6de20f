package api

import (
	"mime"
	"strconv"
	"strings"

	"pinwright/internal/problem"
)

// csvList is CSV as lists are answered.
const csvList = csvType + "; charset=utf-8; header=present"

// mediaRange is one member of an Accept header.
type mediaRange struct {
	kind, subtype string // either may be *
	params        map[string]string
	weight        float64
}

// acceptOf reads an Accept header (RFC 9110, 12.5.1); what is no media range is
// left out.
func acceptOf(header string) []mediaRange {
	var out []mediaRange
	for _, member := range splitList(header) {
		media, params, err := mime.ParseMediaType(member)
		kind, subtype, ok := strings.Cut(media, "/")
		if err != nil || !ok || kind == "*" && subtype != "*" {
			continue
		}
		r := mediaRange{kind: kind, subtype: subtype, params: params, weight: 1}
		if q, given := params["q"]; given {
			if r.weight, err = strconv.ParseFloat(q, 64); err != nil || !(r.weight >= 0 && r.weight <= 1) {
				continue
			}
			delete(params, "q")
		}
		out = append(out, r)
	}
	return out
}

// splitList splits a header at its commas, but for those within quotes.
func splitList(header string) []string {
	var out []string
	quoted, start := false, 0
	for i := 0; i < len(header); i++ {
		switch header[i] {
		case '\\':
			if quoted {
				i++
			}
		case '"':
			quoted = !quoted
		case ',':
			if !quoted {
				out, start = append(out, header[start:i]), i+1
			}
		}
	}
	return append(out, header[min(start, len(header)):])
}

// precedence is how closely r names the media type, 0 when not at all: a range
// with parameters comes before one without, a subtype before text/*, that before
// */*. Values are compared without regard to case, as those of charset and header
// are.
func (r mediaRange) precedence(kind, subtype string, params map[string]string) int {
	switch {
	case r.kind == "*":
		return 1
	case r.kind != kind:
		return 0
	case r.subtype == "*":
		return 2
	case r.subtype != subtype:
		return 0
	}
	for name, value := range r.params {
		if own, ok := params[name]; !ok || !strings.EqualFold(own, value) {
			return 0
		}
	}
	return 3 + len(r.params)
}

// quality is how much the media type is wanted: the weight of the range that
// names it most closely, 0 when it is not acceptable.
func quality(accept []mediaRange, mediaType string) float64 {
	media, params, err := mime.ParseMediaType(mediaType)
	if err != nil {
		return 0
	}
	kind, subtype, _ := strings.Cut(media, "/")
	best, weight := 0, 0.0
	for _, r := range accept {
		if p := r.precedence(kind, subtype, params); p > best {
			best, weight = p, r.weight
		}
	}
	return weight
}

// negotiate chooses the representation of op's answer: what is wanted most, JSON
// where nothing tells. An operation with one representation sends that whatever is
// accepted, which RFC 9110, 12.5.1 allows and which a client can use more than a
// refusal.
func (op *operation) negotiate(headers []string) (string, error) {
	accept := acceptOf(strings.Join(headers, ","))
	if len(op.forms) > 0 && len(accept) > 0 {
		return op.choose(accept)
	}
	if len(op.columns) == 0 || len(accept) == 0 {
		return jsonType, nil
	}
	asJSON, asCSV := quality(accept, jsonType), quality(accept, csvList)
	switch {
	case asJSON == 0 && asCSV == 0:
		return "", problem.New(problem.NotAcceptable, "Ask with Accept for application/json or text/csv; this list comes as nothing else.")
	case asCSV > asJSON:
		return csvList, nil
	}
	return jsonType, nil
}

// choose is negotiate for an answer that comes in forms beside JSON.
func (op *operation) choose(accept []mediaRange) (string, error) {
	best, most := "", 0.0
	for _, form := range append([]string{jsonType}, op.forms...) {
		if q := quality(accept, form); q > most {
			best, most = form, q
		}
	}
	if best == "" {
		return "", problem.New(problem.NotAcceptable, "Ask with Accept for application/json or %s; this comes as nothing else.", strings.Join(op.forms, " or "))
	}
	return best, nil
}
