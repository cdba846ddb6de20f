package plot

import (
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// textWidth estimates how wide text is, in units, set in size. Its letters are
// taken as wide as in the wide ones of the usual screen fonts, so that what it
// says fits does.
func textWidth(text string, size float64, bold bool) float64 {
	var em float64
	for _, r := range text {
		switch {
		case strings.ContainsRune("ijlI.,:;'|!·’ \u00a0", r):
			em += 0.33
		case strings.ContainsRune("frt()[]/-–", r):
			em += 0.43
		case strings.ContainsRune("mwMW%@—", r):
			em += 0.95
		case unicode.IsUpper(r) || r == '±' || r == '×' || r == '≥' || r == '≤':
			em += 0.73
		case r > 0x2E7F: // ideographs and pictures take a square
			em += 1.1
		default:
			em += 0.62
		}
	}
	if bold {
		em *= 1.1
	}
	return em * size
}

var numberAndUnit = regexp.MustCompile(`([0-9]) (mm|um|in|thou|%)([ .,;:)]|$)`)

// wrap breaks text into lines that are at most most wide: between words, and within a
// word that is wider than a line. A number keeps its unit.
func wrap(text string, size float64, bold bool, most float64) []string {
	var lines []string
	line := ""
	text = numberAndUnit.ReplaceAllString(text, "$1\u00a0$2$3")
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\t' || r == '\n' || r == '\r' }) {
		for textWidth(word, size, bold) > most {
			if line != "" {
				lines, line = append(lines, line), ""
			}
			cut := 0
			for i := range word {
				if i > 0 && textWidth(word[:i], size, bold) > most {
					break
				}
				cut = i
			}
			if cut == 0 {
				_, cut = utf8.DecodeRuneInString(word)
			}
			lines, word = append(lines, word[:cut]), word[cut:]
		}
		if longer := strings.TrimSpace(line + " " + word); line == "" || textWidth(longer, size, bold) <= most {
			line = longer
			continue
		}
		lines, line = append(lines, line), word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// shorten cuts text to at most most units, with an ellipsis where it was cut.
func shorten(text string, size float64, bold bool, most float64) string {
	if textWidth(text, size, bold) <= most {
		return text
	}
	runes := []rune(text)
	for len(runes) > 0 && textWidth(string(runes)+"…", size, bold) > most {
		runes = runes[:len(runes)-1]
	}
	return strings.TrimRight(string(runes), " ") + "…"
}
