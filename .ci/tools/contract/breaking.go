package main

import (
	"fmt"
	"slices"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/oasdiff/oasdiff/checker"
	"github.com/oasdiff/oasdiff/diff"
	"github.com/oasdiff/oasdiff/load"
)

// compare returns what in the new contract breaks a client of the accepted one,
// and what may break a client that did not expect it.
func compare(accepted, now []byte) (breaking, doubtful []string, err error) {
	before, err := load.NewSpecInfoFromData(openapi3.NewLoader(), accepted, "accepted.yaml")
	if err != nil {
		return nil, nil, fmt.Errorf("the accepted contract cannot be read: %w", err)
	}
	after, err := load.NewSpecInfoFromData(openapi3.NewLoader(), now, "openapi.yaml")
	if err != nil {
		return nil, nil, fmt.Errorf("the contract cannot be read: %w", err)
	}
	report, sources, err := diff.GetWithOperationsSourcesMap(diff.NewConfig(), before, after)
	if err != nil {
		return nil, nil, fmt.Errorf("the contracts cannot be compared: %w", err)
	}
	words := checker.NewDefaultLocalizer()
	for _, change := range checker.CheckBackwardCompatibility(checker.NewConfig(checker.GetAllChecks()), report, sources) {
		text := fmt.Sprintf("%s %s: %s [%s]", change.GetOperation(), change.GetPath(), change.GetUncolorizedText(words), change.GetId())
		if change.GetLevel() == checker.ERR {
			breaking = append(breaking, text)
		} else {
			doubtful = append(doubtful, text)
		}
	}
	slices.Sort(breaking)
	slices.Sort(doubtful)
	return slices.Compact(breaking), slices.Compact(doubtful), nil
}
