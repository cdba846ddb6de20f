package api_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"pinwright/internal/access"
	"pinwright/internal/pgtest"
	"pinwright/internal/specimen"
)

// Two fences keep a club's rows in the club: row security, by the transaction's
// setting, and the filter that every statement carries itself. Each must hold
// without the other, so that forgetting one in one place shows nothing yet. The
// walk passes all operations with either taken away; with both taken away it
// must see what it would otherwise have missed, or it proves nothing.

type fences int

const (
	bothFences fences = iota
	rowSecurityAlone
	filterAlone
	noFence
)

// rowSecurityOff takes row security away from every table of the test's own
// database.
func rowSecurityOff(t *testing.T, db *pgtest.DB) {
	t.Helper()
	var changed int
	if err := db.Owner.QueryRow(t.Context(), `select count(*) from pg_class where relnamespace = 'public'::regnamespace and relrowsecurity`).Scan(&changed); err != nil || changed < 20 {
		t.Fatalf("only %d tables have row security (%v)", changed, err)
	}
	if _, err := db.Owner.Exec(t.Context(), `do $$ declare t regclass; begin
		for t in select oid from pg_class where relnamespace = 'public'::regnamespace and relrowsecurity loop
			execute format('alter table %s disable row level security, no force row level security', t);
		end loop; end $$`); err != nil {
		t.Fatal(err)
	}
}

// filterOff takes the club's filter out of every statement on its way to the
// database; its parameter stays, or the others would change their numbers.
type filterOff struct{ queryTracer }

var clubFilter = regexp.MustCompile(`\b(?:[a-z_]+\.)?club_id = (\$\d+)`)

// TraceBatchStart changes the statements: pgx hands the tracer its own.
func (f filterOff) TraceBatchStart(ctx context.Context, conn *pgx.Conn, data pgx.TraceBatchStartData) context.Context {
	for _, q := range data.Batch.QueuedQueries {
		q.SQL = clubFilter.ReplaceAllString(q.SQL, "$1::uuid is not null")
	}
	return f.queryTracer.TraceBatchStart(ctx, conn, data)
}

// theirRows describes every row of the other club, table by table.
func (k *walk) theirRows() []string {
	k.t.Helper()
	rows, err := k.db.Owner.Query(k.t.Context(), `
		select relname || ' ' || (xpath('/row/x/text()', query_to_xml(format(
			'select count(*) || '' '' || coalesce(md5(string_agg((to_jsonb(t) - ''used_on'')::text, '','' order by to_jsonb(t)::text)), '''') as x from %I t where club_id = %L', relname, $1::uuid), true, true, '')))[1]::text
		from pg_class c where relnamespace = 'public'::regnamespace and relkind in ('r', 'p')
			and exists (select from pg_attribute where attrelid = c.oid and attname = 'club_id' and not attisdropped) order by 1`, k.other.ClubID)
	if err != nil {
		k.t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		k.t.Fatal(err)
	}
	if len(out) < 20 {
		k.t.Fatalf("the other club has rows in %v only", out)
	}
	return out
}

// marks are what gives a row of the other club away in an answer.
func (k *walk) marks() []string {
	out := []string{k.other.ClubID.String(), k.other.OfficerID.String()}
	for _, id := range k.theirs.ID {
		out = append(out, id.String())
	}
	for _, name := range k.theirs.Name {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

// leak is what of the other club stands in an answer; what the request itself
// said is no leak.
func leak(s seen, marks, said []string) string {
	text := s.Body + " " + fmt.Sprint(s.Header)
	for _, own := range said {
		text = strings.ReplaceAll(text, own, "")
	}
	for _, m := range marks {
		if _, err := strconv.Atoi(m); err == nil {
			// As a part of a hash or of a time's fraction its digits stand there by chance.
			if regexp.MustCompile(`(^|[^0-9A-Za-z.])` + m + `($|[^0-9A-Za-z])`).MatchString(text) {
				return m
			}
		} else if strings.Contains(text, m) {
			return m
		}
	}
	return ""
}

// A mark of digits alone is seen as a number of its own, and not inside of something
// else: in the times and hashes of a whole walk any six digits stand now and then.
func TestLeaksAreToldFromChance(t *testing.T) {
	const mark = "490212"
	for text, seen := range map[string]bool{
		`{"edition":490212}`: true, `{"edition":490212,"a":1}`: true, "R1 490212": true, `"490212"`: true, "/editions/490212/steps": true,
		`"2026-11-30T20:49:17.490212+00:00"`: false, `"01a22e35-71b9-7155-b7cc-490212a5deac"`: false, `d="M12.490212 3"`: false, "7490212": false,
	} {
		if got := leak(seenBody(text), []string{mark}, nil) == mark; got != seen {
			t.Errorf("in %s: %v", text, got)
		}
	}
	if leak(seenBody("of R490212 there"), []string{"R490212"}, nil) == "" {
		t.Error("a name is no longer seen")
	}
}

func seenBody(text string) seen { return seen{Body: text} }

// callers are the credentials of the matrix, by what they are.
func (k *walk) callers(t *testing.T) map[string]string {
	t.Helper()
	now := k.clock.now()
	issue := func(expires time.Time, revoked *time.Time) string {
		secret := access.NewSecret(k.club.ClubID)
		k.issue(secret, allRoles, []string{"write"}, expires, revoked, nil)
		return secret.Reveal()
	}
	return map[string]string{
		"no token": "", "an expired token": issue(now, nil), "a revoked token": issue(now.Add(time.Hour), &now),
		"a token of the other club": k.other.Secret.Reveal(), "the right role": k.all,
	}
}

// wrongRole is the token of somebody who may not, if anybody may not.
func (k *walk) wrongRole(op walked, byRole map[string]string) (string, bool) {
	for _, role := range allRoles {
		if !slices.Contains(op.roles, role) {
			return byRole[role], true
		}
	}
	return "", false
}

func TestNoForeignRowPassesEitherFenceAlone(t *testing.T) {
	for name, f := range map[string]fences{"both fences": bothFences, "row security alone": rowSecurityAlone, "filter alone": filterAlone} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			walkMatrix(t, f)
		})
	}
}

func walkMatrix(t *testing.T, f fences) {
	k := newWalkBehind(t, f)
	byRole := map[string]string{}
	for _, role := range allRoles {
		byRole[role] = k.member([]string{role}, "write")
	}
	callers, theirs, marks := k.callers(t), k.theirRows(), k.marks()
	asked, answered := 0, 0
	for i, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			// Fresh things of its own, since the operation before may have used them up.
			var err error
			if k.mine, err = specimen.Fill(t.Context(), k.db.Owner, k.club.ClubID, fmt.Sprintf("own%d", i)); err != nil {
				t.Fatal(err)
			}
			things := map[string]map[string]string{"existing": {}, "foreign": {}, "random": {}}
			for _, name := range op.pathParams() {
				thing := specimenOf(op, name)
				things["existing"][name], things["foreign"][name], things["random"][name] = k.mine.ID[thing].String(), k.theirs.ID[thing].String(), newID()
			}
			by := callers
			if token, some := k.wrongRole(op, byRole); some {
				by = map[string]string{"a wrong role": token}
				for who, token := range callers {
					by[who] = token
				}
			}
			for who, token := range by {
				for what, ids := range things {
					if what != "existing" && len(ids) == 0 {
						continue
					}
					asked++
					s := k.ask(t, op, request(k.slug, token, ids))
					cell := fmt.Sprintf("%s, %s id", who, what)
					switch who {
					case "no token", "an expired token", "a revoked token":
						refused(t, cell, s, 401, "unauthenticated")
					case "a token of the other club":
						refused(t, cell, s, 404, "not-found")
					case "a wrong role":
						refused(t, cell, s, 403, "missing-role")
					case "the right role":
						if what != "existing" {
							refused(t, cell, s, 404, "not-found")
						} else if s.Status == 401 || s.Status == 403 || s.Status == 404 {
							t.Errorf("%s: answered %d\n%s", cell, s.Status, s.Body)
						} else {
							answered++
						}
					}
					var said []string
					for _, id := range ids {
						said = append(said, id)
					}
					if m := leak(s, marks, said); m != "" {
						t.Errorf("%s: the answer holds %s of another club\n%s", cell, m, s.Body)
					}
				}
			}
		})
	}
	if diff := cmp.Diff(theirs, k.theirRows()); diff != "" {
		t.Errorf("rows of another club were changed (-before +after):\n%s", diff)
	}
	t.Logf("%d cells asked, %d of them answered to the right role", asked, answered)
}

// specimenOf names the specimen that a parameter of the address is filled in with: an act
// over the counter is of one kind, and each kind has an operation of its own that undoes it.
func specimenOf(op walked, param string) string {
	if op.id == "undoReturn" && param == "counter_act" {
		return "return"
	}
	return param
}

func request(club, token string, ids map[string]string) asked {
	return asked{club: club, token: token, ids: ids}
}

// Names and references in bodies look rows up as well.
func TestNoForeignNameOrReferencePassesEitherFenceAlone(t *testing.T) {
	for name, f := range map[string]fences{"row security alone": rowSecurityAlone, "filter alone": filterAlone} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			k := newWalkBehind(t, f)
			before, marks := k.theirRows(), k.marks()
			for _, op := range inClub(t) {
				t.Run(op.id, func(t *testing.T) {
					for _, name := range op.pathParams() {
						if op.takesNames(name) {
							theirs := k.theirs.Name[name]
							s := k.ask(t, op, asked{club: k.slug, token: k.all, ids: map[string]string{name: theirs}})
							refused(t, name+" by name", s, 404, "not-found")
							if m := leak(s, marks, []string{theirs}); m != "" {
								t.Errorf("%s by name: the answer holds %s of another club\n%s", name, m, s.Body)
							}
						}
					}
					for _, content := range op.bodies() {
						for _, p := range references(t, content.Schema) {
							for table, id := range k.theirs.ID {
								for _, theirs := range []string{id.String(), k.theirs.Name[table]} {
									if theirs == "" {
										continue
									}
									s := k.ask(t, op, asked{club: k.slug, token: k.all, body: p.body(theirs)})
									if s.Status < 300 && !ownIDAllowed(p) && !strings.Contains(s.Body, "refused") {
										t.Errorf("%s of another club at %s was taken: %d\n%s", table, p.pointer, s.Status, s.Body)
									}
									if m := leak(s, marks, []string{theirs}); m != "" {
										t.Errorf("%s of another club at %s: the answer holds %s\n%s", table, p.pointer, m, s.Body)
									}
								}
							}
						}
					}
				})
			}
			if diff := cmp.Diff(before, k.theirRows()); diff != "" {
				t.Errorf("rows of another club were changed (-before +after):\n%s", diff)
			}
		})
	}
}

// The walk above must be able to fail: without any fence, foreign things show
// wherever an address names one, and foreign rows in nearly every list.
func TestWithoutAnyFenceTheWalkWouldSeeForeignRows(t *testing.T) {
	t.Parallel()
	k := newWalkBehind(t, noFence)
	look := func(op walked) seen { // without ask's checks: that answers break is the point
		path := strings.ReplaceAll(op.path, "{club}", k.slug)
		for _, name := range op.pathParams() {
			path = strings.ReplaceAll(path, "{"+name+"}", k.theirs.ID[name].String())
		}
		r := httptest.NewRequestWithContext(t.Context(), op.method, path, nil)
		r.Header.Set("Authorization", "Bearer "+k.all)
		rec := httptest.NewRecorder()
		k.handler.ServeHTTP(rec, r)
		return seen{Status: rec.Code, Body: rec.Body.String()}
	}
	// Some find the foreign thing and break behind it, which a thing that is not found (404) does not.
	breaks := map[string]int{
		"getStatementSheet": 500, // then finds several clubs where there is one
		"getVehicleHistory": 503, // what notes that it was given out is held to the consent by the database
	}
	things, lists, shown, listed, marks := 0, 0, 0, 0, k.marks()
	for _, op := range inClub(t) {
		switch {
		case op.method != http.MethodGet:
		case len(op.pathParams()) > 0:
			things++
			// A refusal for what the thing is (a reamer has no drift) shows as much as an answer.
			if s := look(op); s.Status == 200 || s.Status == 422 || s.Status == breaks[op.id] {
				shown++
			} else {
				t.Errorf("%s: another club's thing is answered %d even without fences; the walk cannot see it", op, s.Status)
			}
		case op.spec.Extensions["x-page"] == true:
			lists++
			if leak(look(op), marks, nil) != "" {
				listed++
			} else {
				t.Logf("%s: shows nothing of another club even without fences", op)
			}
		}
	}
	t.Logf("without fences %d of %d things and %d of %d lists showed", shown, things, listed, lists)
	if things < 15 || listed < lists-2 {
		t.Errorf("only %d of %d lists showed another club's rows without fences", listed, lists)
	}
}

// ownIDAllowed reports whether the reference names the new thing itself, which
// any id may.
func ownIDAllowed(p place) bool { return strings.HasSuffix(p.pointer, "/id") }
