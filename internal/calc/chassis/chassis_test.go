package chassis

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// TestPublishedNumbers takes numbers and weighted sums from
// testdata/vin/check_digits.json; each names its source.
func TestPublishedNumbers(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../../testdata/vin/check_digits.json")
	if err != nil {
		t.Fatal(err)
	}
	var published struct {
		Numbers []struct {
			VIN, Check, Source string
			Sum                int
		}
	}
	if err := json.Unmarshal(raw, &published); err != nil {
		t.Fatal(err)
	}
	if len(published.Numbers) != 4 {
		t.Fatalf("%d numbers", len(published.Numbers))
	}
	for _, row := range published.Numbers {
		t.Run(row.VIN, func(t *testing.T) {
			t.Parallel()
			if got := weightedSum(row.VIN); got != row.Sum {
				t.Errorf("%s: sum %d, published %d", row.Source, got, row.Sum)
			}
			got, err := Check(row.VIN)
			if err != nil {
				t.Fatal(err)
			}
			want := Number{Text: row.VIN, IsVIN: true, CheckDigit: Agrees, Expected: row.Check}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s\n-want +got\n%s", row.Source, diff)
			}
		})
	}
}

// TestValuesOfLetters writes out table III of 49 CFR 565.15.
func TestValuesOfLetters(t *testing.T) {
	t.Parallel()
	table := map[int]string{1: "AJ1", 2: "BKS2", 3: "CLT3", 4: "DMU4", 5: "ENV5", 6: "FW6", 7: "GPX7", 8: "HY8", 9: "RZ9", 0: "0"}
	for want, letters := range table {
		for i := range len(letters) {
			if got := value(letters[i]); got != want {
				t.Errorf("%c is %d, by the table %d", letters[i], got, want)
			}
		}
	}
}

func TestNumbersThatAreTaken(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		text string
		want Number
	}{
		"an old number is free text":                       {"  GAN 5/12345-b ", Number{Text: "GAN 5/12345-b", CheckDigit: NotApplicable}},
		"one character":                                    {"7", Number{Text: "7", CheckDigit: NotApplicable}},
		"small letters of a VIN become capitals":           {"1m8gdm9axkp042788", Number{Text: "1M8GDM9AXKP042788", IsVIN: true, CheckDigit: Agrees, Expected: "X"}},
		"a filler letter elsewhere says nothing":           {"WZZZZZ9AZKP042788", Number{Text: "WZZZZZ9AZKP042788", IsVIN: true, CheckDigit: NotApplicable, Expected: expected("WZZZZZ9AZKP042788")}},
		"seventeen characters with a stroke are no VIN":    {"AB/IO-45678901234", Number{Text: "AB/IO-45678901234", CheckDigit: NotApplicable}},
		"letters of another alphabet are no VIN":           {"ЖМ8GDM9AXKP042788", Number{Text: "ЖМ8GDM9AXKP042788", CheckDigit: NotApplicable}},
		"the length of an old number may be anything":      {"123456789012345678901", Number{Text: "123456789012345678901", CheckDigit: NotApplicable}},
		"a sharp s that becomes two letters is no VIN":     {"1M8GDM9AXKP04278ß", Number{Text: "1M8GDM9AXKP04278ß", CheckDigit: NotApplicable}},
		"sixteen with a space are an old number, unwarned": {"AB 3456789012345", Number{Text: "AB 3456789012345", CheckDigit: NotApplicable}},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := Check(row.text)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(row.want, got); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestNumbersThatAreTakenWithAWarning(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		text, code, says string
		check            CheckDigit
	}{
		"a digit that does not agree, from elsewhere": {"JH2RC3605MM101582", CheckDigitDisagrees, "it must be 7", Disagrees},
		"one character short of a VIN":                {"JH2RC3605MM10158", LengthNearVIN, "16 characters", NotApplicable},
		"one character too many":                      {"JH2RC3605MM1015811", LengthNearVIN, "18 characters", NotApplicable},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := Check(row.text)
			if err != nil {
				t.Fatal(err)
			}
			if len(got.Warnings) != 1 || got.Warnings[0].Code != row.code || !strings.Contains(got.Warnings[0].Text, row.says) || got.CheckDigit != row.check {
				t.Errorf("got %+v", got)
			}
		})
	}
}

func TestNumbersThatAreRefused(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		text string
		kind error
		says string
	}{
		"a wrong digit from North America": {"1M8GDM9A1KP042788", ErrCheckDigit, "must be X"},
		"two characters changed places":    {"1M8GDM9AXKP042878", ErrCheckDigit, "read all 17"},
		"a filler in North America":        {"2M8GDM9AZKP042788", ErrCheckDigit, "position 9"},
		"an I":                             {"IM8GDM9AXKP042788", ErrLetter, `"I" in position 1`},
		"an o":                             {"1M8GDM9AXKPo42788", ErrLetter, `"O" in position 12`},
		"a Q":                              {"1M8GDM9AXKP04278Q", ErrLetter, "with a space or stroke"},
		"nothing":                          {" ", ErrText, "as stamped"},
		"a NUL byte":                       {"AB\x0012", ErrText, "U+0000"},
		"a line break":                     {"AB\n12", ErrText, "U+000A"},
		"broken UTF-8":                     {"AB\xff12", ErrText, "UTF-8"},
		"forty-one characters":             {strings.Repeat("7", 41), ErrText, "at most 40"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := Check(row.text)
			if !errors.Is(err, row.kind) || !strings.Contains(err.Error(), row.says) {
				t.Errorf("got %+v, %v; want kind %q saying %q", got, err, row.kind, row.says)
			}
		})
	}
}

// TestAMisreadDigitIsSeen: 11 is prime and no weight but position 9's is a
// multiple of it, so replacing a digit by another always changes the remainder.
func TestAMisreadDigitIsSeen(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		vin := []byte(rapid.StringMatching(`[1-5][A-HJ-NPR-Z0-9]{16}`).Draw(t, "vin"))
		vin[checkPosition] = expected(string(vin))[0]
		if got, err := Check(string(vin)); err != nil || got.CheckDigit != Agrees {
			t.Fatalf("%s: %+v, %v", vin, got, err)
		}
		at := rapid.IntRange(9, 16).Draw(t, "position")
		was := vin[at]
		vin[at] = rapid.SampledFrom([]byte("0123456789")).Draw(t, "digit")
		_, err := Check(string(vin))
		if same := value(was) == value(vin[at]); same != (err == nil) {
			t.Errorf("%s with %c for %c: %v", vin, vin[at], was, err)
		}
	})
}

func FuzzCheck(f *testing.F) {
	for _, seed := range []string{"1M8GDM9AXKP042788", "JH2RC3605MM101581", "GAN 5/12345", "", "ß", "IIIIIIIIIIIIIIIII", "\x00"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		n, err := Check(text)
		if err != nil {
			if !errors.Is(err, ErrText) && !errors.Is(err, ErrLetter) && !errors.Is(err, ErrCheckDigit) {
				t.Fatalf("%q: error of no kind: %v", text, err)
			}
			return
		}
		again, err := Check(n.Text)
		if err != nil || !cmp.Equal(again, n) {
			t.Fatalf("%q gave %+v, which came back as %+v, %v", text, n, again, err)
		}
	})
}
