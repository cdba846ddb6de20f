package plot

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"regexp"
	"strings"
)

// Scheme says whether a picture is light or dark.
type Scheme string

// The schemes. Auto leaves it to whoever looks, by prefers-color-scheme.
const (
	Auto  Scheme = "auto"
	Light Scheme = "light"
	Dark  Scheme = "dark"
)

// shade is a colour of each scheme under the name of its custom property, so that
// a page that takes a picture in may give it its own.
type shade struct{ name, light, dark string }

// shades are the colours. a, b and c tell series apart, together with their dashes
// and shapes; bad is a limit or a signal; pale ones lie behind text.
var shades = []shade{
	{"bg", "#ffffff", "#111315"},
	{"ink", "#16191c", "#f3f4f5"},
	{"dim", "#50575e", "#b9c0c7"},
	{"rule", "#d4d8dc", "#3a4047"},
	{"edge", "#757d85", "#8b949d"},
	{"a", "#0a58a8", "#7db9ff"},
	{"a-pale", "#cfe3f8", "#123a63"},
	{"b", "#9a4700", "#ffb36b"},
	{"b-pale", "#fbe2c9", "#553009"},
	{"c", "#1a6b3a", "#7fd69f"},
	{"c-pale", "#d3efdc", "#12452a"},
	{"bad", "#b3201a", "#ff9d95"},
	{"bad-pale", "#fbdcda", "#5c1a17"},
}

// rules give a class its look; $name is a colour.
var rules = []string{
	".plot{background:$bg;font-family:system-ui,-apple-system,'Segoe UI',Roboto,'DejaVu Sans',sans-serif;font-size:14px}",
	".bg{fill:$bg}",
	"text{fill:$ink}",
	".over{paint-order:stroke;stroke:$bg;stroke-width:4px;stroke-linejoin:round}",
	".head{font-size:18px;font-weight:700}",
	".sub{font-weight:700}",
	".big{font-size:16px;font-weight:700}",
	".dim{fill:$dim}",
	".word-a{fill:$a}", ".word-b{fill:$b}", ".word-c{fill:$c}", ".word-bad{fill:$bad}",
	".grid,.rule{fill:none;stroke:$rule;stroke-width:1px}",
	".axis{fill:none;stroke:$edge;stroke-width:2px}",
	".step{fill:none;stroke:$edge;stroke-width:1.5px;stroke-dasharray:3 4}",
	".ink{fill:none;stroke:$ink;stroke-width:2.5px}",
	".a,.b,.c,.bad{fill:none;stroke-width:3px;stroke-linejoin:round}",
	".a{stroke:$a}", ".b{stroke:$b;stroke-dasharray:9 5}", ".c{stroke:$c;stroke-dasharray:3 4}", ".bad{stroke:$bad;stroke-dasharray:12 4 3 4}",
	".faint{fill:none;stroke:$edge;stroke-width:1.5px}",
	".thin-a{fill:none;stroke:$a;stroke-width:2px}",
	".solid{stroke-dasharray:none}",
	".thick{stroke-width:7px}",
	".pale-a{fill:$a-pale}", ".pale-b{fill:$b-pale}", ".pale-c{fill:$c-pale}", ".pale-bad{fill:$bad-pale}",
	".mark-a,.mark-b,.mark-c,.mark-bad,.mark-ink,.mark-dim{stroke:$bg;stroke-width:1.5px}",
	".mark-a{fill:$a}", ".mark-b{fill:$b}", ".mark-c{fill:$c}", ".mark-bad{fill:$bad}", ".mark-ink{fill:$ink}", ".mark-dim{fill:$dim}",
	".open{fill:$bg;stroke:$ink;stroke-width:2.5px}",
	".bar-a{fill:$a}", ".bar-b{fill:$b}", ".bar-c{fill:$c}", ".bar-bad{fill:$bad}",
	".over-line{fill:none;stroke:$bg;stroke-width:7px}",
	".cell{fill:$bg;stroke:$edge;stroke-width:1px}",
	".chosen{fill:none;stroke:$ink;stroke-width:3.5px}",
	".second{fill:none;stroke:$ink;stroke-width:2px;stroke-dasharray:4 3}",
}

var inRule = regexp.MustCompile(`([a-z-]+):\$([a-z-]+)`)

// style is the sheet of a scheme. Each colour is said twice: plainly, for viewers
// that know no custom properties, then as one.
func (s Scheme) style() string {
	pick := func(c shade) string { return c.light }
	if s == Dark {
		pick = func(c shade) string { return c.dark }
	}
	colour := map[string]string{}
	var out strings.Builder
	out.WriteString(".plot{")
	for _, c := range shades {
		colour[c.name] = pick(c)
		fmt.Fprintf(&out, "--%s:%s;", c.name, pick(c))
	}
	out.WriteString("}")
	if s != Light && s != Dark {
		out.WriteString("@media (prefers-color-scheme:dark){.plot{")
		for _, c := range shades {
			fmt.Fprintf(&out, "--%s:%s;", c.name, c.dark)
		}
		out.WriteString("}}")
	}
	for _, r := range rules {
		out.WriteString(inRule.ReplaceAllStringFunc(r, func(pair string) string {
			m := inRule.FindStringSubmatch(pair)
			return fmt.Sprintf("%s:%s;%s:var(--%s)", m[1], colour[m[2]], m[1], m[2])
		}))
	}
	return out.String()
}

// StylePolicy is the source by which a Content-Security-Policy allows the style
// of every scheme, and no other (CSP Level 3, 8.4: hashes of inline elements).
var StylePolicy = func() string {
	var list []string
	for _, s := range []Scheme{Auto, Light, Dark} {
		sum := sha256.Sum256([]byte(s.style()))
		list = append(list, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'")
	}
	return strings.Join(list, " ")
}()
