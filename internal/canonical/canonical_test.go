package canonical

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The examples of RFC 8785, 3.2.2 and 3.2.3, and the numbers of its appendix B; written
// down from memory of the published text.
func TestFormIsThatOfRFC8785(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ name, in, want string }{
		{"primitive values", `{
			"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
			"string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
			"literals": [null, true, false]
		}`, `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`},
		{"order of members", `{"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
			"\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis"}`,
			"{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"ö\":\"Latin Small Letter O With Diaeresis\",\"€\":\"Euro Sign\",\"😀\":\"Emoji: Grinning Face\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}"},
		{"what HTML and JavaScript make much of stands as it is", `"\u2028\u2029<&>\u007f"`, "\"\u2028\u2029<&>\u007f\""},
		{"nothing in them", ` { "b" : [ ] , "a" : { } } `, `{"a":{},"b":[]}`},
	} {
		got, err := Of([]byte(tc.in))
		if err != nil || string(got) != tc.want {
			t.Errorf("%s:\n%s\n%s: %v", tc.name, got, tc.want, err)
		}
	}
	for bits, want := range map[uint64]string{
		0x0000000000000000: "0", 0x8000000000000000: "0", 0x0000000000000001: "5e-324", 0x8000000000000001: "-5e-324", 0x7fefffffffffffff: "1.7976931348623157e+308",
		0x4340000000000000: "9007199254740992", 0x4430000000000000: "295147905179352830000", 0x44b52d02c7e14af5: "9.999999999999997e+22", 0x44b52d02c7e14af6: "1e+23",
		0x444b1ae4d6e2ef4e: "999999999999999700000", 0x444b1ae4d6e2ef50: "1e+21", 0x3eb0c6f7a0b5ed8c: "9.999999999999997e-7", 0x3eb0c6f7a0b5ed8d: "0.000001",
		0x41b3de4355555553: "333333333.3333332", 0x41b3de4355555556: "333333333.3333334", 0x41b3de4355555557: "333333333.33333343", 0xbecbf647612f3696: "-0.0000033333333333333333",
	} {
		text, err := json.Marshal(math.Float64frombits(bits))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := Of(text); err != nil || string(got) != want {
			t.Errorf("%016x is %s, not %s: %v", bits, got, want, err)
		}
	}
}

func TestWhatHasNoFormIsRefused(t *testing.T) {
	t.Parallel()
	for _, in := range []string{``, `{`, `[1,]`, `{"a":1,"a":2}`, `{"\u0061":1,"a":2}`, `1e400`, `1 2`, "\"\xff\"", `{1:2}`, `nul`} {
		if got, err := Of([]byte(in)); err == nil {
			t.Errorf("%q has the form %q", in, got)
		}
	}
}

// Whatever JSON is spelt like, its form is of itself the form, and says the same.
func TestFormOfTheFormIsItself(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := anything(3).Draw(t, "value")
		indented, err := json.MarshalIndent(v, " ", "\t")
		if err != nil {
			t.Fatal(err)
		}
		first, err := Of(indented)
		if err != nil {
			t.Fatal(err)
		}
		again, err := Marshal(v)
		if err != nil || !bytes.Equal(first, again) {
			t.Fatalf("%s and %s: %v", first, again, err)
		}
		if twice, err := Of(first); err != nil || !bytes.Equal(first, twice) {
			t.Fatalf("%s becomes %s: %v", first, twice, err)
		}
		var a, b any
		if json.Unmarshal(indented, &a) != nil || json.Unmarshal(first, &b) != nil {
			t.Fatal("no JSON any more")
		}
		one, _ := json.Marshal(a)
		other, _ := json.Marshal(b)
		if !bytes.Equal(one, other) {
			t.Fatalf("%s says something else than %s", first, indented)
		}
	})
}

// anything is any JSON value but -0, whose form is 0 (ECMA-262, Number::toString).
func anything(depth int) *rapid.Generator[any] {
	kinds := []*rapid.Generator[any]{rapid.Just[any](nil), rapid.Bool().AsAny(), rapid.String().AsAny(), rapid.Map(rapid.Float64(), func(f float64) any { return f + 0 }), rapid.Int32().AsAny()}
	if depth > 0 {
		kinds = append(kinds, rapid.SliceOfN(anything(depth-1), 0, 4).AsAny(), rapid.MapOfN(rapid.String(), anything(depth-1), 0, 4).AsAny())
	}
	return rapid.OneOf(kinds...)
}
