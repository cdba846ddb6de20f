package api_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// browser is Debian's chromium, which .ci/run installs.
type browser struct {
	t   testing.TB
	ctx context.Context
}

// newBrowser starts one; nil, and said so, where none is on the machine.
func newBrowser(t testing.TB) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Log("LEFT OUT: there is no chromium here (apt-get install chromium), so nothing was looked at in a browser")
		return nil
	}
	profile, err := os.MkdirTemp("", "pinwright-chromium-")
	if err != nil {
		t.Fatal(err)
	}
	limit, over := context.WithTimeout(context.WithoutCancel(t.Context()), 5*time.Minute)
	alloc, end := chromedp.NewExecAllocator(limit, append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.UserDataDir(profile))...)
	ctx, closed := chromedp.NewContext(alloc)
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("closing chromium: %v", err)
		}
		closed()
		end()
		over()
		_ = os.RemoveAll(profile) // what it still writes is of no use to anybody
	})
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("chromium does not start: %v", err)
	}
	return &browser{t: t, ctx: ctx}
}

// sight is how an answer is looked at.
type sight struct {
	name          string // of the picture that PINWRIGHT_SHOTS keeps
	width, height int
	dark          bool
	policy        string // instead of the answer's own
	print         bool   // on paper, too
}

// glimpse is what came of it.
type glimpse struct {
	Asked   []string // paths that were asked for beside the page itself
	Refused []string // what the page's policy did not let in, and what failed
	Text    string
	Wider   float64  // how much the page is wider than its window, px
	Outside []string // words of drawings that lie beyond their frames
	Ink     string   // colour of the first words
	Paper   string   // and behind them
	pdf     []byte
}

// looking reads from a page what a person would see.
const looking = `(() => {
	const outside = [];
	for (const svg of document.querySelectorAll('svg')) {
		const frame = svg.getBoundingClientRect();
		for (const text of svg.querySelectorAll('text')) {
			const box = text.getBoundingClientRect();
			if (box.width && (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 || box.bottom > frame.bottom + 1)) outside.push(text.textContent);
		}
	}
	const root = document.documentElement, words = document.querySelector('svg text, h1') || root;
	const behind = document.querySelector('svg rect') && root.localName === 'svg' ? getComputedStyle(document.querySelector('svg rect')).fill : getComputedStyle(document.body || root).backgroundColor;
	return {Text: document.body ? document.body.innerText : root.textContent, Wider: root.scrollWidth - window.innerWidth, Outside: outside,
		Ink: root.localName === 'svg' ? getComputedStyle(words).fill : getComputedStyle(words).color, Paper: behind};
})()`

// command is a command of the protocol that has no action of its own.
func command[P any](c cdp.Command[P, cdp.Empty], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, c, params)
		return err
	})
}

// looks opens an answer in a window of its own.
func (b *browser) looks(at *response, s sight) glimpse {
	b.t.Helper()
	served := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/looked-at" {
			http.NotFound(out, r)
			return
		}
		out.Header().Set("Content-Type", at.header.Get("Content-Type"))
		policy := at.header.Get("Content-Security-Policy")
		if s.policy != "" {
			policy = s.policy
		}
		out.Header().Set("Content-Security-Policy", policy)
		_, _ = out.Write(at.body) // a test's
	}))
	defer served.Close()
	tab, done := chromedp.NewContext(b.ctx)
	defer done()
	var out glimpse
	var asked, refused []string
	var told sync.Mutex
	err := chromedp.Listen(tab, func(event any) {
		told.Lock()
		defer told.Unlock()
		switch e := event.(type) {
		case *network.EventRequestWillBeSent:
			if path := strings.TrimPrefix(e.Request.URL, served.URL); path != "/looked-at" && path != "/favicon.ico" && !strings.HasPrefix(path, "data:") {
				asked = append(asked, path)
			}
		case *log.EventEntryAdded:
			if !strings.Contains(e.Entry.URL, "/favicon.ico") {
				refused = append(refused, e.Entry.Text)
			}
		}
	})
	if err != nil {
		b.t.Fatalf("listening to chromium: %v", err)
	}
	scheme := "light"
	if s.dark {
		scheme = "dark"
	}
	err = chromedp.Do(tab, command(network.Enable, network.EnableParams{}), command(log.Enable, cdp.Empty{}), chromedp.EmulateViewport(int64(s.width), int64(s.height)),
		command(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}),
		chromedp.Navigate(served.URL+"/looked-at"))
	if err == nil {
		out, err = chromedp.Run(tab, chromedp.Evaluate[glimpse](looking))
	}
	if shots := os.Getenv("PINWRIGHT_SHOTS"); err == nil && shots != "" && s.name != "" {
		var picture []byte
		if picture, err = chromedp.Run(tab, chromedp.FullScreenshot(100)); err == nil {
			err = os.WriteFile(filepath.Join(shots, s.name+".png"), picture, 0o600)
		}
	}
	if s.print && err == nil {
		out.pdf, err = chromedp.Run(tab, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
	}
	if err != nil {
		b.t.Fatalf("looking at %s: %v", s.name, err)
	}
	told.Lock()
	defer told.Unlock()
	out.Asked, out.Refused = asked, refused
	return out
}

// mustLookRight is looks, of what has to load nothing, be let in by its own policy, fit
// its window and keep its words within its drawings.
func (b *browser) mustLookRight(at *response, s sight) glimpse {
	b.t.Helper()
	got := b.looks(at, s)
	if len(got.Asked) > 0 || len(got.Refused) > 0 {
		b.t.Errorf("%s: it asks for %v and is refused %v", s.name, got.Asked, got.Refused)
	}
	if got.Wider > 0 {
		b.t.Errorf("%s: it is %v px wider than its window of %d", s.name, got.Wider, s.width)
	}
	if len(got.Outside) > 0 {
		b.t.Errorf("%s: words lie beyond their drawing: %q", s.name, got.Outside)
	}
	if strings.TrimSpace(got.Text) == "" {
		b.t.Errorf("%s: nothing is to be read", s.name)
	}
	return got
}
