package bank_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"pinwright/internal/bank"
	"pinwright/internal/calc/money"
	"pinwright/internal/sheet"
)

func read(t interface{ Fatal(...any) }, text string, w bank.Written, said ...string) []bank.Movement {
	s, err := sheet.Read([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	columns, faults := bank.Map(s, said)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if w.Currency == "" {
		w.Currency = "EUR"
	}
	if w.Days == "" {
		w.Days = "ymd"
	}
	w.Today = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	return columns.Read(s, w)
}

func TestAmountsAreReadAsTheyAreToldToBeWritten(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		text, currency string
		comma          bool
		minor          int64
		wrong          bool
	}{
		{text: "12.50", minor: 1250}, {text: "12,50", comma: true, minor: 1250}, {text: "-12.5", minor: -1250}, {text: "12.50-", minor: -1250}, {text: "\u22127.00", minor: -700}, {text: "+7", minor: 700},
		{text: "1,234.50", minor: 123450}, {text: "1.234,50", comma: true, minor: 123450}, {text: "1 234,50", comma: true, minor: 123450}, {text: "1'234.50", minor: 123450}, {text: "1.234.567", comma: true, minor: 123456700},
		{text: "EUR 3.00", minor: 300}, {text: "3.00 EUR", minor: 300},
		{text: "1.234", comma: true, minor: 123400}, // told: a point stands between thousands
		{text: "1.234", wrong: true},                // told: a point stands before the decimals, of which there are two
		{text: "12,50", wrong: true}, {text: "12.50", comma: true, wrong: true}, {text: "1,23,456", wrong: true}, {text: "1234,567.00", wrong: true}, {text: "12.", wrong: true}, {text: ".50", wrong: true},
		{text: "--3", wrong: true}, {text: "3 USD", wrong: true}, {text: "x", wrong: true}, {text: "99999999999.00", wrong: true},
		// ISO 4217: the yen has no decimals, the dinar of Kuwait three.
		{text: "1250", currency: "JPY", minor: 1250}, {text: "12.50", currency: "JPY", wrong: true}, {text: "1.250", currency: "KWD", minor: 1250},
	} {
		w := bank.Written{Comma: tc.comma, Currency: tc.currency}
		m := read(t, "date;amount\n2026-05-01;\""+tc.text+"\"\n", w)[0]
		if tc.wrong != (len(m.Faults) > 0) || !tc.wrong && m.Minor != tc.minor {
			t.Errorf("%q (comma %v, %s): %d, %v; want %d, wrong %v", tc.text, tc.comma, tc.currency, m.Minor, m.Faults, tc.minor, tc.wrong)
		}
	}
}

func TestDaysAreReadInTheOrderThatIsTold(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ order, text, want string }{
		{"ymd", "2026-05-03", "2026-05-03"}, {"ymd", "20260503", "2026-05-03"}, {"ymd", "2026/5/3", "2026-05-03"}, {"ymd", "03.05.2026", ""},
		{"dmy", "03.05.2026", "2026-05-03"}, {"dmy", "3/5/26", "2026-05-03"}, {"dmy", "03-05-2026", "2026-05-03"}, {"dmy", "05/13/2026", ""}, {"dmy", "2026-05-03", ""},
		{"mdy", "05/03/2026", "2026-05-03"}, {"mdy", "5/3/26", "2026-05-03"}, {"mdy", "13/05/2026", ""}, {"ymd", "2026-02-30", ""}, {"dmy", "3.5.", ""}, {"ymd", "2026-06-03", ""}, // still to come
	} {
		m := read(t, "date,amount\n"+tc.text+",1\n", bank.Written{Days: tc.order})[0]
		got := ""
		if len(m.Faults) == 0 {
			got = m.On.Format(time.DateOnly)
		}
		if got != tc.want {
			t.Errorf("%q as %s: %q %v, want %q", tc.text, tc.order, got, m.Faults, tc.want)
		}
	}
}

func TestColumnsAreFoundOrAskedFor(t *testing.T) {
	t.Parallel()
	in := read(t, "Date,Paid in,Paid out,Reference,More,NAME\n2026-05-01,5.00,,one,two,A\n2026-05-01,,3.00,,,\n2026-05-01,,-3.00,,,\n2026-05-01,1,1,,,\n2026-05-01,,,,,\n", bank.Written{}, "Reference=reference", "More=reference")
	if in[0].Minor != 500 || in[1].Minor != -300 || in[2].Minor != -300 || in[0].Reference != "one two" || in[0].Name != "A" || len(in[3].Faults) != 1 || len(in[4].Faults) != 1 {
		t.Errorf("%+v", in)
	}
	for _, tc := range []struct {
		text  string
		said  []string
		wants string
	}{
		{"day,amount\n1,1\n", nil, "map=column=date"}, {"date\n1\n", nil, "map=column=amount"}, {"date,amount,paid in\n1,1,1\n", nil, "either in a column amount"},
		{"date,amount,sum\n1,1,1\n", []string{"sum=amount", "amount=amount"}, "several columns would be the amount"}, {"date,amount\n1,1\n", []string{"x=date"}, `no column "x"`}, {"date,amount\n1,1\n", []string{"date=day"}, "with a field of"},
	} {
		s, err := sheet.Read([]byte(tc.text))
		if err != nil {
			t.Fatal(err)
		}
		if _, faults := bank.Map(s, tc.said); !strings.Contains(fmt.Sprint(faults), tc.wants) {
			t.Errorf("%q %v: %v, want %q", tc.text, tc.said, faults, tc.wants)
		}
	}
	if m := read(t, "date,amount,currency\n2026-05-01,1,USD\n2026-05-01,1,EUR\n", bank.Written{}); len(m[0].Faults) != 1 || len(m[1].Faults) != 0 {
		t.Errorf("another currency: %+v", m)
	}
}

// Whatever amount is written by whichever of the two ways is read as it was.
func TestAnyAmountComesBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		minor := rapid.Int64Range(-1e11, 1e11).Filter(func(n int64) bool { return n != 0 }).Draw(t, "minor")
		comma := rapid.Bool().Draw(t, "comma")
		currency := rapid.SampledFrom([]string{"EUR", "JPY", "KWD"}).Draw(t, "currency")
		text := strings.TrimSuffix(money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text(), " "+currency)
		whole, fraction, has := strings.Cut(strings.TrimPrefix(text, "-"), ".")
		if rapid.Bool().Draw(t, "grouped") {
			for i := len(whole) - 3; i > 0; i -= 3 {
				whole = whole[:i] + map[bool]string{true: ".", false: ","}[comma] + whole[i:]
			}
		}
		if has {
			whole += map[bool]string{true: ",", false: "."}[comma] + fraction
		}
		if minor < 0 {
			whole = "-" + whole
		}
		if m := read(t, "date;amount\n2026-05-01;"+whole+"\n", bank.Written{Comma: comma, Currency: currency})[0]; m.Minor != minor || len(m.Faults) > 0 {
			t.Fatalf("%s written %q was read as %d, %v", text, whole, m.Minor, m.Faults)
		}
	})
}

// Equal movements of one file are as many as they are; a file that overlaps brings none twice.
func TestAMovementIsKnownAgain(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var rows []string
		for range rapid.IntRange(1, 12).Draw(t, "rows") {
			rows = append(rows, fmt.Sprintf("2026-05-0%d,%d,%s", rapid.IntRange(1, 2).Draw(t, "day"), rapid.IntRange(1, 2).Draw(t, "amount"), rapid.SampledFrom([]string{"a", "b"}).Draw(t, "reference")))
		}
		of := func(rows []string) map[string]int {
			out := map[string]int{}
			for _, m := range read(t, "date,amount,reference\n"+strings.Join(rows, "\n")+"\n", bank.Written{}) {
				out[string(m.Digest)]++
			}
			return out
		}
		all, part := of(rows), of(rows[:rapid.IntRange(1, len(rows)).Draw(t, "part")])
		if len(all) != len(rows) {
			t.Fatalf("%d digests of %d rows", len(all), len(rows))
		}
		for digest := range part {
			if all[digest] != 1 {
				t.Fatal("a row of a shorter file is not known in the longer one")
			}
		}
	})
}

func TestProposalsSayWhy(t *testing.T) {
	t.Parallel()
	people := []bank.Person{{ID: uuid.New(), Number: "B-17", Name: "Wren Alder", Owes: 1250}, {ID: uuid.New(), Number: "7", Name: "Odile Farrow", Owes: 900}, {ID: uuid.New(), Number: "B-1", Name: "Ines Maré", Owes: -500}}
	on := time.Date(2026, 5, 10, 0, 0, 0, 0, time.UTC)
	made := []bank.Made{{ID: uuid.New(), Number: 4, BookedOn: on.AddDate(0, 0, -10), Minor: 1250, MemberID: &people[0].ID, Member: "B-17"}, {ID: uuid.New(), Number: 5, BookedOn: on.AddDate(0, 0, -11), Minor: 1250}}
	for _, tc := range []struct {
		name string
		m    bank.Movement
		made []bank.Made
		want []string
	}{
		{"number and amount", bank.Movement{Minor: 1250, Reference: "Dues b17, May"}, nil, []string{"Member B-17: number amount"}},
		{"a number as a part of another", bank.Movement{Minor: 1, Reference: "B-170"}, nil, nil},
		{"a number in two words", bank.Movement{Minor: 1, Reference: "member B 17"}, nil, []string{"Member B-17: number"}},
		{"B-1 is not B-17", bank.Movement{Minor: 1, Reference: "B-1"}, nil, []string{"Member B-1: number"}},
		{"a short number by chance", bank.Movement{Minor: 1, Reference: "invoice 7"}, nil, nil},
		{"a short number beside the amount", bank.Movement{Minor: 900, Reference: "no 7"}, nil, []string{"Member 7: number amount"}},
		{"a name, accents or not", bank.Movement{Minor: 1, Name: "MARE INES"}, nil, []string{"Member B-1: name"}},
		{"a name with an initial", bank.Movement{Minor: 1, Name: "O FARROW"}, nil, []string{"Member 7: name"}},
		{"an initial of another", bank.Movement{Minor: 1, Name: "W FARROW"}, nil, nil},
		{"a short number beside a name with an initial", bank.Movement{Minor: 1, Reference: "member 7", Name: "Farrow, O."}, nil, []string{"Member 7: number name"}},
		{"half a name", bank.Movement{Minor: 1, Name: "Ines"}, nil, nil},
		{"what is owed to them", bank.Movement{Minor: -500}, nil, []string{"Member B-1: amount"}},
		{"two, the likelier first", bank.Movement{Minor: 1250, Name: "Odile Farrow"}, nil, []string{"Member 7: name", "Member B-17: amount"}},
		{"an entry within ten days", bank.Movement{Minor: 1250, Reference: "B-17", On: on}, made, []string{"Entry 4 of member B-17: entry number", "Member B-17: number amount"}},
		{"an entry of one, the number of another", bank.Movement{Minor: 1250, Reference: "B-1", On: on}, made, []string{"Member B-1: number", "Entry 4 of member B-17: entry", "Member B-17: amount"}},
		{"nobody", bank.Movement{Minor: 3, Reference: "fee", Name: "The bank"}, made, nil},
	} {
		var got []string
		for _, p := range bank.Propose(tc.m, people, tc.made) {
			who, _, _ := strings.Cut(p.Summary(), ":")
			got = append(got, who+": "+strings.Join(p.Because, " "))
		}
		if fmt.Sprint(got) != fmt.Sprint(tc.want) {
			t.Errorf("%s: %q, want %q", tc.name, got, tc.want)
		}
	}
}
