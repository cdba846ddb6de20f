package localpg

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
)

func TestFurtherRungIsTakenWhenAskedForOrWhenNothingElseIsThere(t *testing.T) {
	t.Parallel()
	const further Step = "further"
	var (
		nothing = fmt.Errorf("%w. Tried: all", errNothing)
		broken  = errors.New("initdb: no space left")
		failed  = errors.New("no engine")
	)
	for _, tc := range []struct {
		name       string
		o          Options // without the rung
		private    error   // what looking for a private cluster ends in
		rung       error   // what the rung ends in
		want       Step
		wantAsked  bool
		wantErrors []string
	}{
		{"a private cluster is there", Options{}, nil, nil, Installed, false, nil},
		{"it is asked for", Options{Only: further}, nil, nil, further, true, nil},
		{"it is asked for beside a given server", Options{Only: further, URL: "postgres://elsewhere/x"}, nil, nil, further, true, nil},
		{"nothing else is there", Options{}, nothing, nil, further, false, nil},
		{"nothing at all is there", Options{}, nothing, failed, "", false, []string{"Tried: all", "Nor by a further: no engine"}},
		{"it is asked for and not there", Options{Only: further}, nil, failed, "", true, []string{"no engine"}},
		{"another step is asked for", Options{Only: Fetched}, nothing, nil, "", false, []string{"Tried: all"}},
		{"a cluster is to be kept", Options{Dir: "/somewhere"}, nothing, nil, "", false, []string{"Tried: all"}},
		{"a private cluster fails for another reason", Options{}, broken, nil, "", false, []string{"no space left"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var asked bool
			var got map[string]string
			tc.o.Settings = map[string]string{"max_connections": "7", "jit": "on"}
			tc.o.Further = &Rung{Step: further, Start: func(_ context.Context, settings map[string]string, alone bool) (Running, error) {
				asked, got = alone, settings
				return Running{How: "a further one", AdminURL: "postgres://postgres@127.0.0.1:1/postgres"}, tc.rung
			}}
			c, err := climb(t.Context(), tc.o, func(context.Context, Options) (*Cluster, error) {
				if tc.private != nil {
					return nil, tc.private
				}
				return &Cluster{step: Installed}, nil
			})
			if (err != nil) != (tc.want == "") || err == nil && c.Step() != tc.want || asked != tc.wantAsked {
				t.Fatalf("took %+v, asked %v, %v; want %q, asked %v", c, asked, err, tc.want, tc.wantAsked)
			}
			for _, want := range tc.wantErrors {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("the error does not say %q: %v", want, err)
				}
			}
			if tc.want != further {
				return
			}
			// As a private throw-away cluster, but for what the caller says.
			for name, want := range map[string]string{"fsync": "off", "full_page_writes": "off", "timezone": "UTC", "max_connections": "7", "jit": "on"} {
				if got[name] != want {
					t.Errorf("%s is %q, want %q", name, got[name], want)
				}
			}
			if !c.Private() || c.How() != "a further one" || c.URL("reader", "shelf", nil) != "postgres://reader@127.0.0.1:1/shelf" {
				t.Errorf("private %v, %q, %s", c.Private(), c.How(), c.URL("reader", "shelf", nil))
			}
		})
	}
}
