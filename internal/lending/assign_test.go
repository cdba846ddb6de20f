package lending

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"
)

var epoch = time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)

func stretch(from, until int) Period {
	return Period{From: epoch.Add(time.Duration(from) * time.Hour), Until: epoch.Add(time.Duration(until) * time.Hour)}
}

// serves reports whether some choice serves all asks, by trying each.
func serves(asks []ask, busy promises) bool {
	if len(asks) == 0 {
		return true
	}
	for _, o := range asks[0].options {
		if busy.free(o) && serves(asks[1:], busy.with(o)) {
			return true
		}
	}
	return false
}

func TestChoiceIsValidAndFoundWheneverThereIsOne(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		models := []uuid.UUID{{1}, {2}}
		var tools []*tool
		busy := promises{}
		for i := range rapid.IntRange(1, 6).Draw(t, "tools") {
			one := &tool{ID: uuid.UUID{9, byte(i)}, Number: fmt.Sprint("T", i), ModelID: models[rapid.IntRange(0, 1).Draw(t, "model")], State: inService}
			tools = append(tools, one)
			for range rapid.IntRange(0, 2).Draw(t, "promises") {
				from := rapid.IntRange(0, 12).Draw(t, "busy from")
				busy[one.ID] = append(busy[one.ID], stretch(from, from+rapid.IntRange(1, 4).Draw(t, "busy for")))
			}
		}
		var asks []ask
		for i := range rapid.IntRange(1, 6).Draw(t, "lines") {
			from := rapid.IntRange(0, 12).Draw(t, "from")
			period := stretch(from, from+rapid.IntRange(1, 6).Draw(t, "for"))
			a := ask{part: part{line: i}, isModel: rapid.IntRange(0, 3).Draw(t, "named") > 0}
			if a.isModel {
				id := models[rapid.IntRange(0, 1).Draw(t, "asked model")]
				for _, one := range tools {
					if one.ModelID == id {
						a.options = append(a.options, option{tool: one, period: period, held: period.behind(time.Hour)})
					}
				}
			} else {
				a.options = []option{{tool: rapid.SampledFrom(tools).Draw(t, "asked tool"), period: period, held: period.behind(time.Hour)}}
			}
			asks = append(asks, a)
		}
		for i := range asks {
			for j := range asks[:i] {
				if !asks[i].isModel && !asks[j].isModel && asks[i].options[0].tool == asks[j].options[0].tool && asks[i].options[0].held.overlaps(asks[j].options[0].held) {
					t.Skip("refused before a choice is made")
				}
			}
		}
		chosen := assign(asks, busy)
		if again := assign(asks, busy); !slices.Equal(chosen, again) {
			t.Fatalf("chose %v, then %v", chosen, again)
		}
		taken := busy
		for i, k := range chosen {
			if k < 0 {
				continue
			}
			if !taken.free(asks[i].options[k]) {
				t.Fatalf("%v: line %d gets a tool that is taken", chosen, i)
			}
			taken = taken.with(asks[i].options[k])
		}
		if got, want := !slices.Contains(chosen, -1), serves(asks, busy); got != want {
			t.Fatalf("served all: %v by %v, by trying every choice: %v", got, chosen, want)
		}
	})
}
