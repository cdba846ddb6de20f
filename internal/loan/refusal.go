package loan

import (
	"strings"
	"time"
)

// Refusal is why tools do not change hands: every reason of every tool at once.
type Refusal struct {
	What  string // in one sentence: what was not done
	Tools []RefusedTool
}

// RefusedTool is one reason of one tool.
type RefusedTool struct {
	Tool     string // its number
	Code     string
	Detail   string     // how to mend it
	FreeFrom *time.Time // when it can be had, where that is the reason
}

// Error implements error.
func (r *Refusal) Error() string {
	parts := []string{r.What}
	for _, t := range r.Tools {
		parts = append(parts, t.Detail)
	}
	return strings.Join(parts, " ")
}

// Hurt is why a loan cannot last longer: it would take time that is promised.
type Hurt struct {
	Promised []Stretch  // never to whom
	Latest   *time.Time // until when it can last; nil: no longer than it does
	Detail   string
}

// Stretch is a piece of time.
type Stretch struct{ From, Until time.Time }

// Error implements error.
func (h *Hurt) Error() string { return h.Detail }
