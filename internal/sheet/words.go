package sheet

import (
	"errors"
	"regexp"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// letters are what no decomposition makes plain.
var letters = strings.NewReplacer("ß", "ss", "æ", "ae", "œ", "oe", "ø", "o", "đ", "d", "ł", "l", "þ", "th", "ð", "d")

// Fold makes equal what people write in different ways: it lowers the case,
// takes off accents, and leaves only letters and digits.
func Fold(text string) string {
	var out strings.Builder
	for _, r := range norm.NFKD.String(letters.Replace(strings.ToLower(text))) {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			out.WriteRune(unicode.ToLower(r))
		}
	}
	return out.String()
}

var bracketed = regexp.MustCompile(`^(.*\S)\s*[(\[]\s*([^()\[\]]+?)\s*[)\]]$`)

// Unit splits a unit off a column's name: "size (mm)", "size [mm]", "size mm",
// "size_mm". isUnit says what is one; without, the name stays whole.
func Unit(name string, isUnit func(string) bool) (rest, unit string) {
	if m := bracketed.FindStringSubmatch(name); m != nil && isUnit(m[2]) {
		return m[1], m[2]
	}
	if i := strings.LastIndexAny(name, " _"); i > 0 && isUnit(name[i+1:]) {
		return name[:i], name[i+1:]
	}
	return name, ""
}

// Why a number is refused.
var (
	ErrNumber    = errors.New(`is no number such as 9.12`)
	ErrTwoMarks  = errors.New("has both a point and a comma; write it with one decimal sign and nothing between the thousands")
	ErrAmbiguous = errors.New("may be a thousand or a fraction, since other numbers of this sheet have a decimal point; write it with a point, or without anything between the thousands")
)

var (
	pointed   = regexp.MustCompile(`^[+-]?[0-9]*\.[0-9]+$`)
	plain     = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]+)?|\.[0-9]+)(e[+-]?[0-9]{1,2})?$`)
	thousands = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2},[0-9]{3}$`)
	leading   = regexp.MustCompile(`^[+-]?[0-9.,]+`)
)

// Points reports whether a cell begins with a number with a decimal point.
func Points(cell string) bool { return pointed.MatchString(leading.FindString(cell)) }

// Number reads a number with a decimal point or a decimal comma and returns it
// with a point. points says that the sheet has numbers with a decimal point, so
// that a comma with three digits behind it may stand between thousands.
func Number(text string, points bool) (number string, comma bool, err error) {
	text = strings.ToLower(strings.ReplaceAll(text, "−", "-")) // the typographic minus
	switch hasComma := strings.Contains(text, ","); {
	case hasComma && strings.Contains(text, "."):
		return "", false, ErrTwoMarks
	case hasComma && points && thousands.MatchString(text):
		return "", false, ErrAmbiguous
	case hasComma:
		text, comma = strings.Replace(text, ",", ".", 1), true
	}
	if !plain.MatchString(text) {
		return "", false, ErrNumber
	}
	return text, comma, nil
}

// Amount cuts a cell into its number and what stands behind it, a unit or
// nothing; number is empty where the cell begins with none.
func Amount(cell string) (number, rest string) {
	cell = strings.ReplaceAll(cell, "\u00a0", " ")
	end := strings.IndexFunc(cell, func(r rune) bool { return !unicode.IsDigit(r) && !strings.ContainsRune("+-−.,", r) })
	if end < 0 {
		end = len(cell)
	}
	return cell[:end], strings.TrimSpace(cell[end:])
}
