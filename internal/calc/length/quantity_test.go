package length_test

import (
	"encoding/json"
	"errors"
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
)

// TestParse checks conversions against the definition of the inch, 25.4 mm
// exactly (ISO 31-1, the international inch of 1959).
func TestParse(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		text   string
		want   length.Length
		entry  string
		exact  bool
		ofUnit length.Unit
	}{
		"one inch is 25 400 000 nm":                    {"1 in", 25_400_000, "1 in", true, length.Inch},
		"one thou is a thousandth of that":             {"1 thou", 25_400, "1 thou", true, length.Thou},
		"a reamer of 0.318 in":                         {"0.318 in", 8_077_200, "0.318 in", true, length.Inch},
		"millimetres with trailing zeros kept":         {"9.120 mm", 9_120_000, "9.120 mm", true, length.Millimetre},
		"no space before the unit":                     {"9.12mm", 9_120_000, "9.12 mm", true, length.Millimetre},
		"a micrometre sign":                            {"12 µm", 12_000, "12 um", true, length.Micrometre},
		"a Greek mu":                                   {"12 μm", 12_000, "12 um", true, length.Micrometre},
		"UCUM codes":                                   {"0.5 [in_i]", 12_700_000, "0.5 in", true, length.Inch},
		"a leading point, as machinists write":         {".318 in", 8_077_200, "0.318 in", true, length.Inch},
		"a minus":                                      {"-0.020 mm", -20_000, "-0.020 mm", true, length.Millimetre},
		"a plus is dropped":                            {"+0.020 mm", 20_000, "0.020 mm", true, length.Millimetre},
		"minus nothing is nothing":                     {"-0.0 mm", 0, "0.0 mm", true, length.Millimetre},
		"an exponent is written out":                   {"9.12e-1 mm", 912_000, "0.912 mm", true, length.Millimetre},
		"a whole exponent":                             {"9E2 um", 900_000, "900 um", true, length.Micrometre},
		"leading zeros go":                             {"0009.1 mm", 9_100_000, "9.1 mm", true, length.Millimetre},
		"half a nanometre goes to the even neighbour":  {"0.0025 um", 2, "0.0025 um", false, length.Micrometre},
		"one and a half goes to the even neighbour":    {"0.0035 um", 4, "0.0035 um", false, length.Micrometre},
		"sub-nanometre digits stay in the entry":       {"0.31496063 in", 8_000_000, "0.31496063 in", false, length.Inch},
		"ten metres is the last length":                {"10000 mm", length.Limit, "10000 mm", true, length.Millimetre},
		"eighteen significant digits are the most":     {"1.23456789012345678 mm", 1_234_568, "1.23456789012345678 mm", false, length.Millimetre},
		"spaces around do not matter":                  {"  9.12   mm ", 9_120_000, "9.12 mm", true, length.Millimetre},
		"a tenth of a thou is 2.54 micrometres":        {"0.1 thou", 2_540, "0.1 thou", true, length.Thou},
		"a value float64 cannot hold is held":          {"9007199.254740993 um", 9_007_199_255, "9007199.254740993 um", false, length.Micrometre},
		"0.1 + 0.2 style digits are taken as they are": {"0.30000000000000004 mm", 300_000, "0.30000000000000004 mm", false, length.Millimetre},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := length.Parse(row.text)
			if err != nil {
				t.Fatal(err)
			}
			type entry struct {
				Length length.Length
				Text   string
				Exact  bool
				Unit   length.Unit
			}
			want := entry{row.want, row.entry, row.exact, row.ofUnit}
			if diff := cmp.Diff(want, entry{got.Length(), got.String(), got.Exact(), got.Unit()}); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestParseRefusesWithAWayToMend(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		text string
		kind error
		says string
	}{
		"nothing":                            {"", length.ErrSyntax, `such as "9.12 mm"`},
		"a bare number":                      {"9.12", length.ErrUnit, `"9.12 mm" or "9.12 in"`},
		"an unknown unit":                    {"9.12 cm", length.ErrUnit, "mm, um, in, thou"},
		"capital letters":                    {"9.12 MM", length.ErrUnit, "mm, um, in, thou"},
		"a unit alone":                       {"mm", length.ErrSyntax, "does not start with a number"},
		"a decimal comma":                    {"9,12 mm", length.ErrSyntax, "with a point"},
		"two points":                         {"9.1.2 mm", length.ErrSyntax, "not a decimal number"},
		"a point without digits":             {". mm", length.ErrSyntax, "not a decimal number"},
		"a point at the end":                 {"9. mm", length.ErrSyntax, "not a decimal number"},
		"two signs":                          {"--9 mm", length.ErrSyntax, "not a decimal number"},
		"two signs in the exponent":          {"9e+-1 mm", length.ErrSyntax, "not a decimal number"},
		"a huge exponent":                    {"1e999999 mm", length.ErrRange, "exponent"},
		"a huge negative exponent":           {"1e-999999 mm", length.ErrRange, "exponent"},
		"an exponent of nineteen":            {"1e19 mm", length.ErrRange, "exponent"},
		"an endless exponent":                {"1e" + strings.Repeat("9", 100) + " mm", length.ErrSyntax, "too long"},
		"nineteen significant digits":        {"1.234567890123456789 mm", length.ErrDigits, "at most 18"},
		"nineteen decimal places":            {"0.0000000000000000001 mm", length.ErrDigits, "decimal places"},
		"more than ten metres":               {"10000.001 mm", length.ErrRange, "is the unit right?"},
		"more than ten metres below":         {"-394 in", length.ErrRange, "is the unit right?"},
		"infinity":                           {"Infinity mm", length.ErrSyntax, "does not start with a number"},
		"not a number":                       {"NaN mm", length.ErrSyntax, "does not start with a number"},
		"a hexadecimal number":               {"0x10 mm", length.ErrUnit, "mm, um, in, thou"},
		"a megabyte of digits":               {strings.Repeat("9", 1<<20) + " mm", length.ErrSyntax, "too long"},
		"a NUL byte":                         {"9.12 mm\x00", length.ErrUnit, "mm, um, in, thou"},
		"an exponent without a digit":        {"9e+ mm", length.ErrSyntax, "not a decimal number"},
		"fraction of an inch with a slash":   {"5/16 in", length.ErrUnit, "mm, um, in, thou"},
		"digits of another script":           {"٩ mm", length.ErrSyntax, "does not start with a number"},
		"a bare number that is no number":    {"9.1.2", length.ErrSyntax, "not a decimal number"},
		"a long number of leading zeros":     {strings.Repeat("0", 70) + " mm", length.ErrDigits, "too long"},
		"value and unit the wrong way round": {"mm 9.12", length.ErrSyntax, "does not start with a number"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := length.Parse(row.text)
			if !errors.Is(err, row.kind) {
				t.Fatalf("got %v, %v; want an error of kind %q", got, err, row.kind)
			}
			if !strings.Contains(err.Error(), row.says) {
				t.Errorf("error %q does not say %q", err, row.says)
			}
			if len(err.Error()) > 300 {
				t.Errorf("error has %d bytes", len(err.Error()))
			}
			if !got.IsZero() {
				t.Errorf("a refused entry still gave %v", got)
			}
		})
	}
}

func TestJSON(t *testing.T) {
	t.Parallel()
	rows := map[string]struct{ in, out string }{
		"the object":                            {`{"value":0.318,"unit":"in"}`, `{"value":0.318,"unit":"in"}`},
		"the fields the other way round":        {`{"unit":"in","value":0.318}`, `{"value":0.318,"unit":"in"}`},
		"the text":                              {`"9.120 mm"`, `{"value":9.120,"unit":"mm"}`},
		"an exponent":                           {`{"value":3.18e-1,"unit":"in"}`, `{"value":0.318,"unit":"in"}`},
		"more digits than a float holds":        {`{"value":1.00000000000000001,"unit":"mm"}`, `{"value":1.00000000000000001,"unit":"mm"}`},
		"the micrometre sign becomes the code":  {`"12 µm"`, `{"value":12,"unit":"um"}`},
		"an escaped letter in the text is fine": {`"12 \u00b5m"`, `{"value":12,"unit":"um"}`},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var q length.Quantity
			if err := json.Unmarshal([]byte(row.in), &q); err != nil {
				t.Fatal(err)
			}
			out, err := json.Marshal(q)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(row.out, string(out)); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestJSONRefuses(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		in   string
		kind error
		says string
	}{
		"null":              {`null`, length.ErrSyntax, `"9.12 mm"`},
		"a bare number":     {`9.12`, length.ErrUnit, `{"value":9.12,"unit":"mm"}`},
		"a list":            {`[9.12,"mm"]`, length.ErrSyntax, `"9.12 mm"`},
		"a value in quotes": {`{"value":"9.12","unit":"mm"}`, length.ErrSyntax, "without quotes"},
		"no unit":           {`{"value":9.12}`, length.ErrUnit, `"unit" is missing`},
		"no value":          {`{"unit":"mm"}`, length.ErrSyntax, `"value" is missing`},
		"null value":        {`{"value":null,"unit":"mm"}`, length.ErrSyntax, "must be a number"},
		"null unit":         {`{"value":9.12,"unit":null}`, length.ErrUnit, "must be one of"},
		"an unknown field":  {`{"value":9.12,"unit":"mm","note":1}`, length.ErrSyntax, `"note"`},
		"a repeated value":  {`{"value":9.12,"value":9.13,"unit":"mm"}`, length.ErrSyntax, "twice"},
		"a repeated unit":   {`{"value":9.12,"unit":"mm","unit":"in"}`, length.ErrSyntax, "twice"},
		"capital field":     {`{"Value":9.12,"unit":"mm"}`, length.ErrSyntax, `"Value"`},
		"a nested value":    {`{"value":{"a":1},"unit":"mm"}`, length.ErrSyntax, "must be a number"},
		"an enormous value": {`{"value":1e400,"unit":"mm"}`, length.ErrRange, "exponent"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var q length.Quantity
			err := json.Unmarshal([]byte(row.in), &q)
			if !errors.Is(err, row.kind) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("got %v; want kind %q saying %q", err, row.kind, row.says)
			}
		})
	}
	t.Run("an absent quantity is not written as zero", func(t *testing.T) {
		t.Parallel()
		if out, err := json.Marshal(length.Quantity{}); !errors.Is(err, length.ErrSyntax) {
			t.Errorf("got %s, %v", out, err)
		}
	})
	t.Run("rubbish after the value", func(t *testing.T) {
		t.Parallel()
		var q length.Quantity
		if err := q.UnmarshalJSON([]byte(`"9.12 mm" 1`)); !errors.Is(err, length.ErrSyntax) {
			t.Errorf("got %v", err)
		}
	})
}

func TestNewTakesWhatTheDatabaseKept(t *testing.T) {
	t.Parallel()
	entered, err := length.Parse("0.3180 in")
	if err != nil {
		t.Fatal(err)
	}
	again, err := length.New(entered.Value(), entered.Unit())
	if err != nil || again != entered {
		t.Errorf("got %v, %v; want %v", again, err, entered)
	}
	if _, err := length.New("1", ""); !errors.Is(err, length.ErrUnit) {
		t.Errorf("an empty unit gave %v", err)
	}
}

// entry draws digits that are within bounds in every unit.
func entry(t *rapid.T) (string, length.Unit) {
	digits := rapid.StringMatching(`-?(0|[1-9][0-9]{0,1})(\.[0-9]{1,10})?`).Draw(t, "digits")
	return digits, rapid.SampledFrom(length.Units()).Draw(t, "unit")
}

func TestAnEntryIsReadExactly(t *testing.T) {
	t.Parallel()
	// The reference is exact rational arithmetic and the definition of the inch.
	perUnit := map[length.Unit]int64{"mm": 1_000_000, "um": 1_000, "in": 25_400_000, "thou": 25_400}
	rapid.Check(t, func(t *rapid.T) {
		digits, unit := entry(t)
		q, err := length.Parse(digits + " " + string(unit))
		if err != nil {
			t.Fatal(err)
		}
		value, _ := new(big.Rat).SetString(digits)
		nm := new(big.Rat).Mul(value, big.NewRat(perUnit[unit], 1))
		off := new(big.Rat).Sub(nm, new(big.Rat).SetInt64(int64(q.Length())))
		half := big.NewRat(1, 2)
		switch off.Abs(off).Cmp(half) {
		case 1:
			t.Errorf("%s %s became %v", digits, unit, q.Length())
		case 0:
			if q.Length()%2 != 0 {
				t.Errorf("%s %s is half way and became odd: %v", digits, unit, q.Length())
			}
		}
		if q.Exact() != (off.Sign() == 0) {
			t.Errorf("%s %s: exact %v, off by %v nm", digits, unit, q.Exact(), off)
		}
		again, err := length.Parse(q.String())
		if err != nil || again != q {
			t.Errorf("%q came back as %v, %v", q, again, err)
		}
		wire, err := json.Marshal(q)
		if err != nil {
			t.Fatal(err)
		}
		var back length.Quantity
		if err := json.Unmarshal(wire, &back); err != nil || back != q {
			t.Errorf("%s came back as %v, %v", wire, back, err)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"9.12 mm", "0.318in", "-12 um", "1e999999 mm", "1e-18 thou", ".5 [in_i]", "9,12 mm", "12 µm", "0e18 mm",
		"9.12e mm", "1ein", "1e2in", "+.0e+00 um", "999999999999999999 um", "١ mm", "9.12\u00a0mm", "",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q, err := length.Parse(text)
		if err != nil {
			for _, kind := range []error{length.ErrSyntax, length.ErrUnit, length.ErrDigits, length.ErrRange} {
				if errors.Is(err, kind) {
					return
				}
			}
			t.Fatalf("%q: error of no kind: %v", text, err)
		}
		if q.Length().Abs() > length.Limit || !q.Unit().Valid() {
			t.Fatalf("%q gave %v", text, q)
		}
		if again, err := length.Parse(q.String()); err != nil || again != q {
			t.Fatalf("%q gave %q, which came back as %q, %v", text, q, again, err)
		}
		wire, err := json.Marshal(q)
		if err != nil {
			t.Fatal(err)
		}
		var back length.Quantity
		if err := json.Unmarshal(wire, &back); err != nil || back != q {
			t.Fatalf("%s came back as %q, %v", wire, back, err)
		}
	})
}

func FuzzUnmarshalJSON(f *testing.F) {
	for _, seed := range []string{`{"value":0.318,"unit":"in"}`, `"9.12 mm"`, `null`, `{"value":1e400,"unit":"mm"}`, `{"value":1,"value":2}`, `{`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		var q length.Quantity
		if err := q.UnmarshalJSON(raw); err != nil {
			if !q.IsZero() {
				t.Fatalf("%q was refused and still gave %v", raw, q)
			}
			return
		}
		if again, err := length.Parse(q.String()); err != nil || again != q {
			t.Fatalf("%q gave %q, which came back as %q, %v", raw, q, again, err)
		}
	})
}
