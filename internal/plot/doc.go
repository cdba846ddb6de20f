// Package plot draws what people would rather look at than read, as SVG: the
// size of a feature with its readings, a history with its limit, a control chart, and
// a set's choice. It is drawing only: it computes no figure and reads no row. What
// it is given is in the unit that is shown, with texts that are spelled already.
//
// The pictures are made for a phone in an oily hand. They are 360 units wide, one
// to a CSS pixel, and as high as they need to be; no text is smaller than 14 units and
// no line that matters thinner than 2. Colours keep a contrast of 4.5 to 1 for text
// and 3 to 1 for lines and marks (WCAG 2.2, 1.4.3 and 1.4.11), in light and in dark,
// and never say anything alone: lines differ by their dashes, marks by their shape
// (1.4.1).
//
// Each picture tells the same facts in words, as its title and desc, which
// aria-labelledby names (SVG Accessibility API Mappings 1.0). It holds no script,
// no link and nothing from elsewhere, and its only style is the one that
// StylePolicy names, so that a browser may be forbidden everything else.
//
// Equal data give equal bytes. Numbers that are not finite are left out of a
// picture; an end that is infinite is drawn as an arrow at its edge.
//
// What it does not do: animate, zoom, take other widths, or set text in other
// languages. It does not measure text either, since it knows no fonts: widths are
// estimated, a little too wide.
package plot
