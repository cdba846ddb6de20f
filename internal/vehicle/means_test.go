package vehicle

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestOwnMeansComeBeforeTheTemplatesAndChangeNeither(t *testing.T) {
	t.Parallel()
	at := func(n int64) *int64 { return &n }
	kind, blind := "closed", true
	template := Means{Boss: Boss{Kind: &kind, OuterNM: at(14)}, Access: Access{Blind: &blind}, Guidance: Pilot, OffsetNM: at(8)}
	own := Means{Boss: Boss{OuterNM: at(13)}}
	got := own.over(template)
	want := Means{Boss: Boss{Kind: &kind, OuterNM: at(13)}, Access: Access{Blind: &blind}, Guidance: Pilot, OffsetNM: at(8)}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if *template.Boss.OuterNM != 14 || *own.Boss.OuterNM != 13 {
		t.Errorf("merging wrote through: template %d, own %d", *template.Boss.OuterNM, *own.Boss.OuterNM)
	}
	own.Guidance = Jig
	if got = own.over(template); got.Guidance != Jig || got.OffsetNM != nil {
		t.Errorf("a guidance of its own has the template's offset: %+v", got)
	}
	own = Means{OffsetNM: at(3)}
	if got = own.over(template); got.Guidance != Pilot || *got.OffsetNM != 3 {
		t.Errorf("an offset of its own: %+v", got)
	}
}
