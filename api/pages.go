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
	"sync"

	"github.com/labstack/echo/v4"
	"gopkg.in/yaml.v3"

	"pinwright/internal/plot"
	"pinwright/internal/problem"
	"pinwright/openapi"
)

// Pages for people follow from the contract and the limits, which do not change
// while the server runs: each is rendered once, when it is first asked for. They
// load nothing from elsewhere, and all but /pair work without JavaScript.

//go:embed pages
var pageFiles embed.FS

const (
	htmlType = "text/html; charset=utf-8"
	// contentPolicy lets a page load its own style, icon and filter and nothing
	// else: no inline script or style, no other host, no form, no frame.
	contentPolicy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

// still is something served as it is, to everyone. What it is made of is made when
// it is first asked for.
type still struct {
	mediaType string
	policy    string // what the page may load
	plain     func() (tagged, error)
	zipped    func() ([]byte, error)
}

type tagged struct {
	body []byte
	tag  string
}

func newStill(mediaType, policy string, body func() ([]byte, error)) *still {
	plain := sync.OnceValues(func() (tagged, error) {
		text, err := body()
		sum := sha256.Sum256(text)
		return tagged{text, hex.EncodeToString(sum[:12])}, err
	})
	return &still{mediaType: mediaType, policy: policy, plain: plain,
		zipped: sync.OnceValues(func() ([]byte, error) {
			made, err := plain()
			if err != nil {
				return nil, err
			}
			var zipped bytes.Buffer
			w, err := gzip.NewWriterLevel(&zipped, gzip.BestCompression)
			if err != nil {
				return nil, err
			}
			if _, err := w.Write(made.body); err != nil {
				return nil, err
			}
			err = w.Close()
			return zipped.Bytes(), err
		})}
}

func (p *still) serve(c echo.Context) error {
	made, err := p.plain()
	if err != nil {
		return err
	}
	body, tag := made.body, `"`+made.tag+`"`
	headers := map[string]string{
		"Content-Type": p.mediaType, "Cache-Control": "public, no-cache", "Vary": "Accept-Encoding",
		"Content-Security-Policy": p.policy,
	}
	if takesGzip(c.Request().Header.Get("Accept-Encoding")) {
		// Other bytes are another representation, with a tag of its own (RFC 9110, 8.8.3.3).
		zipped, err := p.zipped()
		if err != nil {
			return err
		}
		body, tag = zipped, `"`+made.tag+`-gz"`
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

var pageTemplates = sync.OnceValues(func() (*template.Template, error) {
	return template.New("").Funcs(template.FuncMap{"rich": rich}).ParseFS(pageFiles, "pages/*.html")
})

// pages registers what the contract does not list: pages for people, the
// contract itself and the figures for monitoring.
func (s *Server) pages(e *echo.Echo) error {
	templates, err := pageTemplates()
	if err != nil {
		return fmt.Errorf("pages: %w", err)
	}
	put := func(path, mediaType, policy string, body func() ([]byte, error)) {
		e.Match([]string{http.MethodGet, http.MethodHead}, path, newStill(mediaType, policy, body).serve)
	}
	put("/openapi.yaml", "application/yaml; charset=utf-8", contentPolicy, func() ([]byte, error) { return openapi.YAML, nil })
	put("/openapi.json", jsonType, contentPolicy, contractJSON)
	for name, mediaType := range map[string]string{"style.css": "text/css; charset=utf-8", "filter.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"} {
		put("/pages/"+name, mediaType, contentPolicy, func() ([]byte, error) { return pageFiles.ReadFile("pages/" + name) })
	}
	put("/pages/wear.svg", svgType, drawingPolicy, func() ([]byte, error) {
		wear, err := wearShown()
		if err != nil {
			return nil, err
		}
		return trendDrawing("How a hinge wears", wear).SVG(plot.Auto), nil
	})
	views, err := s.pageViews()
	if err != nil {
		return err
	}
	for path, view := range views {
		put(path, htmlType, cmp.Or(view.policy, contentPolicy), func() ([]byte, error) {
			var out bytes.Buffer
			view.Version = s.contract.doc.Info.Version
			var err error
			if view.Body, err = view.body(); err == nil {
				err = templates.ExecuteTemplate(&out, view.template, view)
			}
			if err != nil {
				return nil, fmt.Errorf("page %s: %w", path, err)
			}
			return out.Bytes(), nil
		})
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
	body     func() (any, error)
	Body     any // what body makes
}

// wearShown is the trend whose picture the start page shows; invented.
func wearShown() (Trend, error) {
	var ask TrendIn
	if err := json.Unmarshal([]byte(`{"limit":"80 um","points":[{"on":"2022-05-01","value":"20 um","u":"2 um"},{"on":"2023-04-22","value":"33 um","u":"2 um"},
		{"on":"2024-05-11","value":"40 um","u":"2 um"},{"on":"2025-05-03","value":"53 um","u":"2 um"}]}`), &ask); err != nil {
		return Trend{}, err
	}
	return trendOf(ask, nil, nil)
}

func (s *Server) pageViews() (map[string]pageView, error) {
	pair, err := pairView()
	if err != nil {
		return nil, err
	}
	views := map[string]pageView{
		"/": {template: "start.html", Title: "Pinwright", Here: "start", body: func() (any, error) {
			wear, err := wearShown()
			return wear.Summary, err
		}},
		"/pair":      pair,
		"/reference": {template: "reference.html", Title: "Reference", Here: "reference", body: func() (any, error) { return s.referenceView(), nil }},
		"/problems":  {template: "problems.html", Title: "Problems", Here: "problems", body: func() (any, error) { return problem.Kinds(), nil }},
	}
	for _, k := range problem.Kinds() {
		views["/problems/"+k.Code] = pageView{template: "problem.html", Title: k.Title, Here: "problems", body: func() (any, error) { return s.problemView(k), nil }}
	}
	return views, nil
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
var contractJSON = sync.OnceValues(func() ([]byte, error) {
	var doc map[string]any
	if err := yaml.Unmarshal(openapi.YAML, &doc); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	out, err := json.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("contract as JSON: %w", err)
	}
	return out, nil
})
