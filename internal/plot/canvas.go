package plot

import (
	"fmt"
	"hash/fnv"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

const (
	width  = 360.0 // of every picture
	margin = 14.0
	inner  = width - 2*margin
)

// canvas collects the elements of a picture; its height is known at the end.
type canvas struct {
	out strings.Builder
	y   float64 // what is above is taken
}

// number writes a coordinate to a tenth, which is finer than a screen shows.
func number(v float64) string {
	text := strconv.FormatFloat(v, 'f', 1, 64)
	text = strings.TrimSuffix(text, ".0")
	if text == "-0" {
		return "0"
	}
	return text
}

// escape makes text fit for XML 1.0: markup is quoted, and what may not stand in a
// document (2.2) becomes U+FFFD.
func escape(text string) string {
	var out strings.Builder
	for len(text) > 0 {
		r, size := utf8.DecodeRuneInString(text)
		switch {
		case r == '&':
			out.WriteString("&amp;")
		case r == '<':
			out.WriteString("&lt;")
		case r == '>':
			out.WriteString("&gt;")
		case r == '"':
			out.WriteString("&quot;")
		case r == '\'':
			out.WriteString("&#39;")
		case r == '\t' || r == '\n' || r == '\r':
			out.WriteByte(' ')
		case r < 0x20 || r == 0xFFFE || r == 0xFFFF:
			out.WriteRune(utf8.RuneError)
		default:
			out.WriteRune(r)
		}
		text = text[size:]
	}
	return out.String()
}

func (c *canvas) line(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(&c.out, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`+"\n", class, number(x1), number(y1), number(x2), number(y2))
}

func (c *canvas) rect(class string, x, y, w, h float64) {
	fmt.Fprintf(&c.out, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`+"\n", class, number(x), number(y), number(math.Max(0, w)), number(math.Max(0, h)))
}

func (c *canvas) circle(class string, x, y, r float64) {
	fmt.Fprintf(&c.out, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`+"\n", class, number(x), number(y), number(r))
}

// point is a place on the canvas.
type point struct{ x, y float64 }

func (c *canvas) path(class string, closed bool, points ...point) {
	if len(points) < 2 {
		return
	}
	fmt.Fprintf(&c.out, `<path class="%s" d="`, class)
	for i, p := range points {
		c.out.WriteByte("ML"[min(i, 1)])
		c.out.WriteString(number(p.x) + " " + number(p.y))
	}
	if closed {
		c.out.WriteByte('Z')
	}
	c.out.WriteString("\"/>\n")
}

// text writes a line with its baseline at y. anchor is start, middle or end.
func (c *canvas) text(class, anchor string, x, y float64, text string) {
	if anchor != "start" {
		anchor = fmt.Sprintf(` text-anchor="%s"`, anchor)
	} else {
		anchor = ""
	}
	if class != "" {
		class = ` class="` + class + `"`
	}
	fmt.Fprintf(&c.out, `<text%s%s x="%s" y="%s">%s</text>`+"\n", class, anchor, number(x), number(y), escape(text))
}

// paragraph writes text over as many lines as it takes, below what is there.
func (c *canvas) paragraph(class string, size float64, text string) {
	for _, l := range wrap(text, size, strings.Contains(class, "head") || strings.Contains(class, "sub") || strings.Contains(class, "big"), inner) {
		c.y += size * 1.3
		c.text(class, "start", margin, c.y-size*0.3, l)
	}
}

// shape is a mark that is told from others by its form.
type shape int

const (
	disc shape = iota
	square
	diamond
	triangleDown
	triangleUp
	cross
)

// mark draws a shape that is about 2r wide around x, y.
func (c *canvas) mark(s shape, class string, x, y, r float64) {
	switch s {
	case disc:
		c.circle(class, x, y, r)
	case square:
		c.rect(class, x-0.9*r, y-0.9*r, 1.8*r, 1.8*r)
	case diamond:
		c.path(class, true, point{x, y - 1.25*r}, point{x + 1.25*r, y}, point{x, y + 1.25*r}, point{x - 1.25*r, y})
	case triangleDown:
		c.path(class, true, point{x - 1.2*r, y - r}, point{x + 1.2*r, y - r}, point{x, y + 1.2*r})
	case triangleUp:
		c.path(class, true, point{x - 1.2*r, y + r}, point{x + 1.2*r, y + r}, point{x, y - 1.2*r})
	case cross:
		c.line(class, x-r, y-r, x+r, y+r)
		c.line(class, x-r, y+r, x+r, y-r)
	}
}

// arrow draws a line from x to end at the height y with a head there.
func (c *canvas) arrow(line, head string, x, end, y float64) {
	way := 1.0
	if end < x {
		way = -1
	}
	c.line(line, x, y, end-way*8, y)
	c.path(head, true, point{end, y}, point{end - way*13, y - 8}, point{end - way*13, y + 8})
}

// svg closes the picture. title names it; description tells it in words.
func (c *canvas) svg(scheme Scheme, title, description string) []byte {
	height := number(math.Ceil(c.y + margin))
	sum := fnv.New32a()
	_, _ = sum.Write([]byte(title + description + c.out.String())) // a hash never fails to be written to
	id := fmt.Sprintf("p%08x", sum.Sum32())                        // so that pages may hold several pictures
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" class="plot" width="100%%" viewBox="0 0 %s %s" role="img" aria-labelledby="%st %sd" xml:lang="en">`+"\n",
		number(width), height, id, id)
	fmt.Fprintf(&out, "<title id=\"%st\">%s</title>\n<desc id=\"%sd\">%s</desc>\n", id, escape(title), id, escape(description))
	fmt.Fprintf(&out, "<style>%s</style>\n", scheme.style())
	fmt.Fprintf(&out, `<rect class="bg" width="%s" height="%s"/>`+"\n", number(width), height)
	out.WriteString(c.out.String())
	out.WriteString("</svg>\n")
	return []byte(out.String())
}
