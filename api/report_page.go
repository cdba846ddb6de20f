package api

import (
	"bytes"
	"html/template"
	"net/http"
)

// reportSheet is a report on paper: tables under heads, which stand by themselves as
// a record's page does.
var reportSheet = template.Must(template.ParseFS(pageFiles, "pages/report.html"))

// reportView is a report in words.
type reportView struct {
	Title, Summary, Foot string
	Style                template.CSS
	Parts                []reportPart
	Plot                 template.HTML
}

// reportPart is one table of a report; each row has a cell under each head.
type reportPart struct {
	Title   string
	Heads   []string
	Rows    [][]string
	Nothing string // in place of a table without rows
}

// on is the answer that shows the report on paper of some size.
func (v reportView) on(paper string) (answer, error) {
	css, policy := recordStyle(paper)
	v.Style = template.CSS(css) //nolint:gosec // constants of this program
	var page bytes.Buffer
	if err := reportSheet.Execute(&page, v); err != nil {
		return answer{}, err
	}
	return answer{status: http.StatusOK, body: page.Bytes(), headers: map[string]string{"Content-Type": htmlType, "Content-Disposition": "inline", "Content-Security-Policy": policy}}, nil
}

// printed tells when a report was made.
func (in *call) printed() string {
	return "Made on " + in.now.UTC().Format("2 Jan 2006, 15:04") + " (UTC)."
}
