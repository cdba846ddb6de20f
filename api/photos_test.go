package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pinwright/api"
	"pinwright/internal/pgtest"
)

// pictured is a file of the fixtures of package picture, which holds where it was
// taken and much else.
func pictured(t testing.TB, name string) raw {
	t.Helper()
	data, err := os.ReadFile("../internal/picture/testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return raw(data)
}

// photographed is a world with a tool M7 and a joint "only".
func photographed(t testing.TB, adjust ...func(*api.Options)) *world {
	t.Helper()
	w := newWorld(t, adjust...)
	stock(w)
	benchIn(w)
	w.do("POST", w.at("tools"), w.officer, map[string]any{"number": "M7", "model": "MIC", "garage": "north"}).want(201)
	return w
}

func (w *world) photo(of, id, token string, picture raw) *response {
	w.t.Helper()
	mediaType := "image/jpeg"
	if strings.HasPrefix(string(picture), "\x89PNG") {
		mediaType = "image/png"
	}
	return w.do("POST", w.at(of+"/photos?id="+id), token, picture, header{"Content-Type", mediaType}, header{"Idempotency-Key", ""})
}

func TestAPhotoIsAddedShownAndDeleted(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	for of, mark := range map[string]string{"tools/M7": "tool_id", "joints/only": "joint_id"} {
		for _, name := range []string{"orientation-6.jpg", "chunks.png"} {
			id := newID()
			made := w.photo(of, id, w.officer, pictured(t, name)).want(201)
			if made.str("id") != id || made.str(mark) != w.do("GET", w.at(of), w.officer, nil).str("id") || made.num("order") != 0 || made.get("caption") != nil || made.str("taken_by") == "" {
				t.Errorf("%s", made.body)
			}
			if made.num("image", "width") != 48 || made.num("image", "height") != 32 || made.num("thumbnail", "width") != 48 {
				t.Errorf("not upright: %s", made.body)
			}
			if got := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200); got.header.Get("ETag") != made.header.Get("ETag") || !bytes.Equal(got.body, made.body) {
				t.Errorf("%s, was added as %s", got.body, made.body)
			}
			for _, size := range []string{"image", "thumbnail"} {
				shown := w.do("GET", made.str(size, "href"), w.officer, nil).want(200)
				sum := sha256.Sum256(shown.body)
				for name, want := range map[string]string{
					"Content-Type": made.str(size, "media_type"), "Content-Length": fmt.Sprint(made.num(size, "bytes")), "ETag": `"` + hex.EncodeToString(sum[:]) + `"`,
					"Cache-Control": "private, max-age=86400, immutable", "Vary": "Origin, Authorization", "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'; sandbox",
					"X-Content-Type-Options": "nosniff",
				} {
					if got := shown.header.Get(name); got != want {
						t.Errorf("%s of %s: %q, want %q", name, size, got, want)
					}
				}
				if !strings.HasPrefix(shown.header.Get("Content-Disposition"), "inline") || len(shown.body) == 0 || float64(len(shown.body)) != made.num(size, "bytes") {
					t.Errorf("%d bytes, %v", len(shown.body), shown.header)
				}
				if bytes.Contains(shown.body, []byte("whereabouts")) {
					t.Errorf("%s of %s still says where", size, name)
				}
			}
			w.do("DELETE", w.at("photos/"+id), w.officer, nil).want(204)
			for _, gone := range []string{made.header.Get("Location"), made.str("image", "href"), made.str("thumbnail", "href")} {
				w.do("GET", gone, w.officer, nil).want(404)
			}
			w.do("DELETE", w.at("photos/"+id), w.officer, nil).want(404)
		}
		if left := w.do("GET", w.at(of+"/photos"), w.officer, nil).want(200); len(left.get("items").([]any)) != 0 {
			t.Errorf("%s", left.body)
		}
	}
	var events string
	if err := w.db.Owner.QueryRow(t.Context(), `select string_agg(type || ' ' || subject_version, ', ' order by seq) from event where type like 'photo.%' and seq > (select max(seq) - 2 from event)`).Scan(&events); err != nil || events != "photo.added 1, photo.deleted 2" {
		t.Errorf("the journal ends with %q (%v)", events, err)
	}
	if used := spaceUsed(t, w); used != 0 {
		t.Errorf("%d bytes are counted of photos that are gone", used)
	}
}

// spaceUsed is what is counted for the world's club, held against what is there.
func spaceUsed(t *testing.T, w *world) (used int64) {
	t.Helper()
	var there int64
	if err := w.db.Owner.QueryRow(t.Context(), `select bytes, (select coalesce(sum(octet_length(data)), 0) from photo_image i where i.club_id = s.club_id) from photo_space s where club_id = $1`,
		w.club.ClubID).Scan(&used, &there); err != nil {
		t.Fatal(err)
	}
	if used != there {
		t.Errorf("%d bytes are counted, %d are there", used, there)
	}
	return used
}

func TestAPictureIsNotSentAgainToWhoHasIt(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	made := w.photo("tools/M7", newID(), w.officer, pictured(t, "orientation-1.jpg")).want(201)
	href := made.str("image", "href")
	get := func(method string, tags string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, href, nil)
		r.Header.Set("Authorization", "Bearer "+w.officer)
		if tags != "" {
			r.Header.Set("If-None-Match", tags)
		}
		rec := httptest.NewRecorder()
		w.handler.ServeHTTP(rec, r)
		return rec
	}
	whole := get("GET", "")
	tag := whole.Header().Get("ETag")
	for tags, status := range map[string]int{tag: 304, `"other", ` + tag: 304, "W/" + tag: 304, "*": 304, `"other"`: 200, strings.Trim(tag, `"`): 200, tag[:len(tag)-1]: 200, `""`: 200, `"`: 200} {
		for _, method := range []string{"GET", "HEAD"} {
			rec := get(method, tags)
			if rec.Code != status || status == 304 && (rec.Body.Len() > 0 || rec.Header().Get("ETag") != tag || rec.Header().Get("Cache-Control") == "" || rec.Header().Get("Content-Length") != "") {
				t.Errorf("%s with If-None-Match: %s is answered %d %v", method, tags, rec.Code, rec.Header())
			}
			if method == "GET" && status == 200 && !bytes.Equal(rec.Body.Bytes(), whole.Body.Bytes()) {
				t.Errorf("with If-None-Match: %s %d bytes came of %d", tags, rec.Body.Len(), whole.Body.Len())
			}
		}
	}
	head := get("HEAD", "")
	if head.Code != 200 || head.Body.Len() > 0 || head.Header().Get("Content-Length") != fmt.Sprint(whole.Body.Len()) || head.Header().Get("ETag") != tag {
		t.Errorf("HEAD: %d %v", head.Code, head.Header())
	}
}

func TestAPhotoSentAgainIsThereAlready(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	id, picture := newID(), pictured(t, "orientation-1.jpg")
	made := w.photo("tools/M7", id, w.officer, picture).want(201)
	changed := w.do("PATCH", w.at("photos/"+id), w.officer, map[string]any{"caption": "Worn jaw"}, header{"If-Match", made.header.Get("ETag")}).want(200)
	again := w.photo("tools/M7", id, w.officer, picture).want(200)
	if !bytes.Equal(again.body, changed.body) || again.header.Get("ETag") != changed.header.Get("ETag") {
		t.Errorf("%s, is %s", again.body, changed.body)
	}
	w.photo("tools/M7", id, w.officer, pictured(t, "orientation-2.jpg")).want(409).wantProblem("id-used")
	w.photo("joints/only", id, w.officer, picture).want(409).wantProblem("id-used")
	// However many send it at once, it is added once.
	id = newID()
	var wg sync.WaitGroup
	statuses := make([]int, 8)
	w.othersWrite()
	for i := range statuses {
		wg.Go(func() { statuses[i] = w.photo("joints/only", id, w.officer, picture).status })
	}
	wg.Wait()
	slices.Sort(statuses)
	if !slices.Equal(statuses, []int{200, 200, 200, 200, 200, 200, 200, 201}) {
		t.Errorf("answered %v", statuses)
	}
	spaceUsed(t, w)
}

func TestPhotosStandInTheirOrder(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	var ids []string
	for range 5 {
		ids = append(ids, newID())
	}
	for _, i := range []int{3, 0, 4, 1, 2} { // however they come in
		w.photo("tools/M7", ids[i], w.officer, pictured(t, "orientation-1.jpg")).want(201)
	}
	w.photo("joints/only", newID(), w.officer, pictured(t, "orientation-1.jpg")).want(201) // of something else
	listed := func() (out []string) {
		next := w.at("tools/M7/photos?limit=2")
		for next != "" {
			page := w.do("GET", next, w.officer, nil).want(200)
			for _, item := range page.get("items").([]any) {
				out = append(out, item.(map[string]any)["id"].(string))
			}
			next, _ = strings.CutSuffix(strings.TrimPrefix(page.header.Get("Link"), "<"), `>; rel="next"`)
		}
		return out
	}
	if got := listed(); !slices.Equal(got, ids) {
		t.Errorf("%v, want %v", got, ids)
	}
	w.do("PATCH", w.at("photos/"+ids[3]), w.officer, map[string]any{"order": -1, "caption": "The whole of it"}, header{"If-Match", "*"}).want(200)
	w.do("PATCH", w.at("photos/"+ids[0]), w.officer, map[string]any{"order": 7}, header{"If-Match", "*"}).want(200)
	if got, want := listed(), []string{ids[3], ids[1], ids[2], ids[4], ids[0]}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	w.do("GET", w.at("tools/M7/photos?cursor="+strings.Repeat("A", 20)), w.officer, nil).want(422).wantFault("?cursor")
	cleared := w.do("PATCH", w.at("photos/"+ids[3]), w.officer, map[string]any{"caption": nil}, header{"If-Match", "*"}).want(200)
	if cleared.get("caption") != nil || cleared.num("order") != -1 {
		t.Errorf("%s", cleared.body)
	}
	stale := w.do("PATCH", w.at("photos/"+ids[3]), w.officer, map[string]any{"order": 1}, header{"If-Match", `"1.mm"`}).want(412).wantProblem("stale-version")
	if stale.num("current", "version") != 3 {
		t.Errorf("%s", stale.body)
	}
	w.do("PATCH", w.at("photos/"+ids[3]), w.officer, map[string]any{"order": 1001}, header{"If-Match", "*"}).want(422).wantFault("/order")
	w.do("PATCH", w.at("photos/"+ids[3]), w.officer, map[string]any{"caption": "a\x00"}, header{"If-Match", "*"}).want(400).wantProblem("malformed-request")
}

func TestPhotosAreChangedByWhoAddedThemAndByKeepers(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	mine := w.as("member")
	other := w.as("member,auditor")
	for _, who := range []string{mine, w.as("tool_keeper"), w.as("officer")} {
		id := newID()
		w.photo("tools/M7", id, mine, pictured(t, "orientation-1.jpg")).want(201)
		w.do("PATCH", w.at("photos/"+id), other, map[string]any{"caption": "x"}, header{"If-Match", "*"}).want(403).wantProblem("missing-role")
		w.do("DELETE", w.at("photos/"+id), other, nil).want(403).wantProblem("missing-role")
		w.do("PATCH", w.at("photos/"+id), who, map[string]any{"caption": "x"}, header{"If-Match", "*"}).want(200)
		w.do("DELETE", w.at("photos/"+id), who, nil).want(204)
	}
	w.photo("tools/M7", newID(), w.as("auditor"), pictured(t, "orientation-1.jpg")).want(403).wantProblem("missing-role")
	// A device may add what it has seen, but not delete.
	device := w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "phone", "kind": "device"}).want(201).str("token")
	id := newID()
	w.photo("tools/M7", id, device, pictured(t, "orientation-1.jpg")).want(201)
	w.do("PATCH", w.at("photos/"+id), device, map[string]any{"caption": "x"}, header{"If-Match", "*"}).want(200)
	w.do("DELETE", w.at("photos/"+id), device, nil).want(403).wantProblem("insufficient-scope")
}

func TestWhatIsNoPhotoIsRefused(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	photo := pictured(t, "orientation-1.jpg")
	post := func(id, mediaType string, body raw) *response {
		return w.do("POST", w.at("tools/M7/photos?id="+id), w.officer, body, header{"Content-Type", mediaType})
	}
	for _, mediaType := range []string{"image/webp", "image/heic", "image/gif", "application/json", "application/octet-stream", "multipart/form-data; boundary=x"} {
		p := post(newID(), mediaType, photo).want(415).wantProblem("unsupported-media-type")
		if !strings.Contains(p.str("detail"), "image/jpeg or image/png") {
			t.Errorf("%s", p.body)
		}
	}
	p := post(newID(), "image/png", photo).want(415).wantProblem("unsupported-media-type")
	if !strings.Contains(p.str("detail"), "Content-Type: image/jpeg") {
		t.Errorf("%s", p.body)
	}
	post(newID(), "image/jpeg", photo[:len(photo)-100]).want(422).wantFault("")
	post(newID(), "image/jpeg", "<!doctype html>").want(422).wantFault("")
	post(newID(), "image/jpeg", "").want(422).wantFault("")
	post("0192f0c1-2a3b-4c4d-8e5f-60718293a4b5", "image/jpeg", photo).want(422).wantFault("?id") // version 4
	post("one", "image/jpeg", photo).want(422)
	w.do("POST", w.at("tools/M7/photos"), w.officer, photo, header{"Content-Type", "image/jpeg"}).want(422).wantFault("?id")
	w.do("POST", w.at("tools/nowhere/photos?id="+newID()), w.officer, photo, header{"Content-Type", "image/jpeg"}).want(404)
	// The limit of this operation, not the general one.
	const limit = 4 << 20
	large := photo + raw(strings.Repeat("\x00", limit-len(photo)))
	post(newID(), "image/jpeg", large).want(201)
	p = post(newID(), "image/jpeg", large+"\x00").want(413).wantProblem("too-large")
	if !strings.Contains(p.str("detail"), "4194304") {
		t.Errorf("%s", p.body)
	}
	w.do("POST", w.at("readings"), w.officer, large).want(413)
}

// A position that several vehicles have is no address.
func TestAPhotoOfAnAmbiguousJointIsRefused(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	v := w.do("GET", w.at("joints/only"), w.officer, nil).want(200)
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "second", "name": "Second", "garage": "north"}).want(201)
	w.do("POST", w.at("vehicles/second/joints"), w.officer, map[string]any{"template": v.str("template_code"), "positions": []string{"only"}, "nominal": "8 mm"}).want(201)
	w.photo("joints/only", newID(), w.officer, pictured(t, "orientation-1.jpg")).want(422).wantProblem("ambiguous-name")
	w.do("GET", w.at("joints/only/photos"), w.officer, nil).want(422).wantProblem("ambiguous-name")
	w.photo("joints/"+v.str("id"), newID(), w.officer, pictured(t, "orientation-1.jpg")).want(201)
}

func TestAClubsPhotosHaveOnlySoMuchSpace(t *testing.T) {
	t.Parallel()
	photo := pictured(t, "orientation-1.jpg")
	measured := photographed(t)
	measured.photo("tools/M7", newID(), measured.officer, photo).want(201)
	each := spaceUsed(t, measured)

	allowed := 3*each + each/2
	w := photographed(t, func(o *api.Options) { o.Limits.PhotoSpace = allowed })
	var wg sync.WaitGroup
	answers := make([]*response, 8)
	w.othersWrite()
	for i := range answers {
		wg.Go(func() { answers[i] = w.photo("tools/M7", newID(), w.officer, photo) })
	}
	wg.Wait()
	added := 0
	for _, a := range answers {
		if a.status == 201 {
			added++
			continue
		}
		a.want(409).wantProblem("photo-space-full")
		if a.num("allowed_bytes") != float64(allowed) || a.num("needed_bytes") != float64(each) {
			t.Errorf("%s", a.body)
		}
	}
	if used := spaceUsed(t, w); added != 3 || used != 3*each {
		t.Errorf("%d photos were added and take %d bytes, allowed are %d", added, used, allowed)
	}
	refused := w.photo("joints/only", newID(), w.officer, photo).want(409).wantProblem("photo-space-full")
	if refused.num("used_bytes") != float64(3*each) || !strings.Contains(refused.str("detail"), "MiB allowed") {
		t.Errorf("%s", refused.body)
	}
	w.do("DELETE", w.at("photos/"+w.do("GET", w.at("tools/M7/photos"), w.officer, nil).str("items", 0, "id")), w.officer, nil).want(204)
	w.photo("joints/only", newID(), w.officer, photo).want(201)

	full := photographed(t, func(o *api.Options) { o.Limits.PhotoSpace = 1 })
	if p := full.photo("tools/M7", newID(), full.officer, photo).want(409).wantProblem("photo-space-full"); p.num("used_bytes") != 0 {
		t.Errorf("%s", p.body)
	}
}

// unread fails its test when it is read.
type unread struct{ t *testing.T }

func (u unread) Read([]byte) (int, error) {
	u.t.Error("the body is read")
	return 0, io.EOF
}

func TestAPhotoIsReadOnlyFromWhoMayAddIt(t *testing.T) {
	t.Parallel()
	w := photographed(t)
	for what, token := range map[string]string{"nobody": "", "no such token": w.officer[:20] + "x" + w.officer[21:], "an auditor": w.as("auditor")} {
		r := httptest.NewRequest("POST", w.at("tools/M7/photos?id="+newID()), unread{t})
		r.Header.Set("Content-Type", "image/jpeg")
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		rec := httptest.NewRecorder()
		w.handler.ServeHTTP(rec, r)
		if rec.Code != 401 && rec.Code != 403 {
			t.Errorf("%s: %d", what, rec.Code)
		}
	}
}

// A phone that sends slowly has more time than other requests, on the socket and
// in the service.
func TestAPhotoMayComeInSlowly(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{Limits: api.Limits{Request: 400 * time.Millisecond}})
	stock(e.world)
	server := httptest.NewUnstartedServer(e.server.Handler())
	server.Config.ReadTimeout, server.Config.WriteTimeout = 400*time.Millisecond, 500*time.Millisecond
	server.Start()
	t.Cleanup(server.Close)
	e.url = server.URL
	e.do("POST", e.at("tools"), e.officer, map[string]any{"number": "M7", "model": "MIC", "garage": "north"}).want(201)
	photo := string(pictured(t, "orientation-1.jpg"))
	slowly := func(text string) io.Reader {
		r, w := io.Pipe()
		go func() {
			_, _ = io.WriteString(w, text[:len(text)/2])
			time.Sleep(1200 * time.Millisecond)
			_, _ = io.WriteString(w, text[len(text)/2:])
			_ = w.Close()
		}()
		return r
	}
	r, body := e.send(t, "POST", e.at("tools/M7/photos?id="+newID()), slowly(photo), append(bearer(e.officer), "Content-Type", "image/jpeg")...)
	if r.StatusCode != 201 {
		t.Errorf("%d %s", r.StatusCode, body)
	}
}

func TestRoundTripsOfPhotos(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pool, counted := countedPool(t, db.AppURL)
	w := newWorldOn(t, db, pool)
	stock(w)
	benchIn(w)
	w.do("POST", w.at("tools"), w.officer, map[string]any{"number": "M7", "model": "MIC", "garage": "north"}).want(201)
	photo := pictured(t, "orientation-1.jpg")
	kept := newID()
	w.photo("tools/M7", kept, w.officer, photo).want(201)
	for deadline, noted := time.Now().Add(time.Minute), false; !noted; time.Sleep(time.Millisecond) {
		if err := db.Owner.QueryRow(t.Context(), `select used_on is not null from token where hash = $1`, w.club.Secret.Hash()).Scan(&noted); err != nil || time.Now().After(deadline) {
			t.Fatalf("the token's use was not noted: %v", err)
		}
	}
	gone := []string{}
	for range 3 {
		gone = append(gone, newID())
		w.photo("tools/M7", gone[len(gone)-1], w.officer, photo).want(201)
	}
	get := func(path string) func(int) *response {
		return func(int) *response { return w.do("GET", w.at(path), w.officer, nil) }
	}
	for _, row := range []struct {
		operation string
		trips     int64
		request   func(turn int) *response
	}{
		{"createToolPhoto", 2, func(int) *response { return w.photo("tools/M7", newID(), w.officer, photo) }},
		{"createToolPhoto sent again", 1, func(int) *response { return w.photo("tools/M7", kept, w.officer, photo) }},
		{"createJointPhoto", 2, func(int) *response { return w.photo("joints/only", newID(), w.officer, photo) }},
		{"listToolPhotos", 1, get("tools/M7/photos?limit=1")},
		{"listJointPhotos", 1, get("joints/only/photos")},
		{"getPhoto", 1, get("photos/" + kept)},
		{"getPhotoImage", 1, get("photos/" + kept + "/image")},
		{"patchPhoto", 2, func(turn int) *response {
			return w.do("PATCH", w.at("photos/"+kept), w.officer, map[string]any{"order": turn}, header{"If-Match", "*"}, header{"Idempotency-Key", newID()[:34] + "01"})
		}},
		{"deletePhoto", 2, func(turn int) *response { return w.do("DELETE", w.at("photos/"+gone[turn]), w.officer, nil) }},
	} {
		t.Run(fmt.Sprintf("%s costs %d", row.operation, row.trips), func(t *testing.T) {
			for turn := range 2 {
				if r := row.request(turn); r.status >= 300 {
					t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
				}
			}
			told, socket := counted.told.Load(), counted.socket.Load()
			if r := row.request(2); r.status >= 300 {
				t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
			}
			told, socket = counted.told.Load()-told, counted.socket.Load()-socket
			if told != row.trips || socket != row.trips {
				t.Errorf("%s took %d round trips as the driver tells and %d as the socket shows, want %d", row.operation, told, socket, row.trips)
			}
		})
	}
}
