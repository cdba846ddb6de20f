package api

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"
	"gopkg.in/yaml.v3"

	"pinwright/internal/problem"
	"pinwright/openapi"
)

// Pages for people are rendered once, when the server is made: they follow from
// the contract and the limits, which do not change while it runs. They load
// nothing from elsewhere, and all but /pair work without JavaScript.

//go:embed pages
var pageFiles embed.FS

const (
	htmlType = "text/html; charset=utf-8"
	// contentPolicy lets a page load its own style, icon and filter and nothing
	// else: no inline script or style, no other host, no form, no frame.
	contentPolicy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

// still is something served as it is, to everyone.
type still struct {
	mediaType string
	policy    string // what the page may load
	body      []byte
	zipped    []byte
	tag       string
}

func newStill(mediaType, policy string, body []byte) (*still, error) {
	sum := sha256.Sum256(body)
	out := &still{mediaType: mediaType, policy: policy, body: body, tag: hex.EncodeToString(sum[:12])}
	var zipped bytes.Buffer
	w, err := gzip.NewWriterLevel(&zipped, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(body); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	out.zipped = zipped.Bytes()
	return out, nil
}

func (p *still) serve(c echo.Context) error {
	body, tag := p.body, `"`+p.tag+`"`
	headers := map[string]string{
		"Content-Type": p.mediaType, "Cache-Control": "public, no-cache", "Vary": "Accept-Encoding",
		"Content-Security-Policy": p.policy,
	}
	if takesGzip(c.Request().Header.Get("Accept-Encoding")) {
		// Other bytes are another representation, with a tag of its own (RFC 9110, 8.8.3.3).
		body, tag = p.zipped, `"`+p.tag+`-gz"`
		headers["Content-Encoding"] = "gzip"
	}
	headers["ETag"] = tag
	if matches(c.Request().Header.Get("If-None-Match"), tag) {
		delete(headers, "Content-Encoding")
		send(c, http.StatusNotModified, headers, nil)
		return nil
	}
	send(c, http.StatusOK, headers, body)
	return nil
}

// takesGzip reads Accept-Encoding as far as it matters here (RFC 9110, 12.5.3).
func takesGzip(header string) bool {
	for _, one := range strings.Split(header, ",") {
		name, weight, _ := strings.Cut(one, ";")
		weight = strings.ReplaceAll(weight, " ", "")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") && weight != "q=0" && !strings.HasPrefix(weight, "q=0.000") && weight != "q=0.0" && weight != "q=0.00" {
			return true
		}
	}
	return false
}

// pages registers what the contract does not list: pages for people, the
// contract itself and the figures for monitoring.
func (s *Server) pages(e *echo.Echo) error {
	templates, err := template.New("").Funcs(template.FuncMap{"rich": rich}).ParseFS(pageFiles, "pages/*.html")
	if err != nil {
		return fmt.Errorf("pages: %w", err)
	}
	put := func(path, mediaType, policy string, body []byte) error {
		p, err := newStill(mediaType, policy, body)
		if err != nil {
			return fmt.Errorf("page %s: %w", path, err)
		}
		e.Match([]string{http.MethodGet, http.MethodHead}, path, p.serve)
		return nil
	}
	contract, err := contractJSON()
	if err != nil {
		return err
	}
	files := []struct {
		path, mediaType string
		body            []byte
	}{{"/openapi.yaml", "application/yaml; charset=utf-8", openapi.YAML}, {"/openapi.json", jsonType, contract}}
	for name, mediaType := range map[string]string{"style.css": "text/css; charset=utf-8", "filter.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"} {
		body, err := pageFiles.ReadFile("pages/" + name)
		if err != nil {
			return fmt.Errorf("pages: %w", err)
		}
		files = append(files, struct {
			path, mediaType string
			body            []byte
		}{"/pages/" + name, mediaType, body})
	}
	for _, f := range files {
		if err := put(f.path, f.mediaType, contentPolicy, f.body); err != nil {
			return err
		}
	}
	views := s.pageViews()
	if views["/pair"], err = pairView(s.contract.doc.Info.Version); err != nil {
		return err
	}
	for path, view := range views {
		var out bytes.Buffer
		if err := templates.ExecuteTemplate(&out, view.template, view); err != nil {
			return fmt.Errorf("page %s: %w", path, err)
		}
		if err := put(path, htmlType, cmp.Or(view.policy, contentPolicy), out.Bytes()); err != nil {
			return err
		}
	}
	return nil
}

// pageView is what the template of one page is given.
type pageView struct {
	template string
	policy   string // contentPolicy unless it needs another
	Title    string
	Here     string // the entry of the navigation that is this page
	Version  string
	Body     any
}

func (s *Server) pageViews() map[string]pageView {
	version := s.contract.doc.Info.Version
	views := map[string]pageView{
		"/":          {template: "start.html", Title: "Pinwright", Here: "start", Version: version},
		"/reference": {template: "reference.html", Title: "Reference", Here: "reference", Version: version, Body: s.referenceView()},
		"/problems":  {template: "problems.html", Title: "Problems", Here: "problems", Version: version, Body: problem.Kinds()},
	}
	for _, k := range problem.Kinds() {
		views["/problems/"+k.Code] = pageView{template: "problem.html", Title: k.Title, Here: "problems", Version: version, Body: s.problemView(k)}
	}
	return views
}

// problemView is a problem type with the operations that may answer it.
type problemView struct {
	problem.Kind
	Operations []*operation
}

func (s *Server) problemView(k problem.Kind) problemView {
	v := problemView{Kind: k}
	for _, op := range s.contract.sorted() {
		if op.allows(k.Code) {
			v.Operations = append(v.Operations, op)
		}
	}
	return v
}

// contractJSON is the contract in JSON, for programs that read no YAML.
func contractJSON() ([]byte, error) {
	var doc map[string]any
	if err := yaml.Unmarshal(openapi.YAML, &doc); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	out, err := json.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("contract as JSON: %w", err)
	}
	return out, nil
}
