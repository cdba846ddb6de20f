package api

import (
	"errors"
	"fmt"
	"testing"

	"pinwright/internal/calc/wornsize"
	"pinwright/internal/problem"
)

func TestACalculationThatNobodyWaitsForIsUnavailable(t *testing.T) {
	t.Parallel()
	if err := stopped(fmt.Errorf("estimate: %w", wornsize.ErrStopped)); !problem.Is(err, problem.Unavailable) || !errors.Is(err, wornsize.ErrStopped) {
		t.Errorf("an abandoned calculation is %v", err)
	}
	other := errors.New("something else")
	if err := stopped(other); err != other { //nolint:errorlint // the very same
		t.Errorf("another error became %v", err)
	}
	if stopped(nil) != nil {
		t.Error("no error became one")
	}
}
