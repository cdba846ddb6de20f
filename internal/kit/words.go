package kit

import (
	"fmt"
	"strings"
)

// Any stands before the code of a model, of which any tool will do.
const Any = "any "

// Text is what the part asks for, as people write it on a list: "R-1", or "any
// reamer-9.125".
func (p Part) Text() string {
	if p.ToolID != nil {
		return p.ToolNumber
	}
	return Any + p.ModelCode
}

// Contents are the texts of k's parts.
func (k Kit) Contents() []string {
	out := make([]string, len(k.Parts))
	for i, p := range k.Parts {
		out[i] = p.Text()
	}
	return out
}

// Same reports whether both kits hold the same parts in the same order.
func (k Kit) Same(other Kit) bool {
	if len(k.Parts) != len(other.Parts) {
		return false
	}
	for i, p := range k.Parts {
		if !p.same(other.Parts[i]) {
			return false
		}
	}
	return true
}

// Pieces is how many loose pieces are to be counted when all of k comes back.
func (k Kit) Pieces() int {
	n := 0
	for _, p := range k.Parts {
		n += p.Pieces
	}
	return n
}

// Complete reports whether all of k can be lent.
func (k Kit) Complete() bool {
	for _, p := range k.Parts {
		if !p.InService {
			return false
		}
	}
	return true
}

// Summary says what k holds and what is missing of it.
func (k Kit) Summary() string {
	counted := func(n int, one, several string) string {
		if n == 1 {
			return "1 " + one
		}
		return fmt.Sprintf("%d %s", n, several)
	}
	text := counted(len(k.Parts), "tool", "tools") + ", " + counted(k.Pieces(), "piece", "pieces") + " to count when they come back. "
	if k.RetiredAt != nil {
		return text + "The kit is retired and not lent any more."
	}
	if k.Complete() {
		return text + "All are in service."
	}
	var missing []string
	for _, p := range k.Parts {
		switch {
		case p.InService:
		case p.ToolID != nil:
			missing = append(missing, p.ToolNumber+" is "+map[bool]string{true: "in "}[p.ToolState == "quarantine"]+string(p.ToolState))
		default:
			missing = append(missing, fmt.Sprintf("not enough tools of %s are in service (%d)", p.ModelCode, p.Ready))
		}
	}
	return text + "It is not complete: " + strings.Join(missing, "; ") + "."
}
