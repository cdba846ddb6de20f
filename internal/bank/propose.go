package bank

import (
	"cmp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"

	"pinwright/internal/sheet"
)

// Person is a member as a movement may name them.
type Person struct {
	ID     uuid.UUID
	Number string
	Name   string
	Owes   int64 // below 0: the club owes them
}

// Made is an entry that moved the bank and belongs to no row yet.
type Made struct {
	ID       uuid.UUID
	Number   int64
	BookedOn time.Time
	Minor    int64 // how it moved the bank
	MemberID *uuid.UUID
	Member   string
}

// Why a proposal is made.
const (
	ByNumber = "number" // the member's number stands in the reference
	ByName   = "name"   // every word of their name stands in the row's, the shorter ones perhaps as initials
	ByAmount = "amount" // they owe just that, or are owed it
	ByEntry  = "entry"  // an entry of that amount is booked about then
)

// Proposal is what a movement may be.
type Proposal struct {
	Member  *Person // nil: the entry is of nobody
	Entry   *Made   // one that is booked already; nil: it would be made
	Because []string
	weight  int
}

const (
	mostProposals = 5
	daysAround    = 10 // between what was booked and what the bank tells
)

// Propose lists what m may be, likeliest first: entries that are booked already and members, by
// what speaks for them. A number speaks loudest, a name more than an amount; what speaks for a
// member speaks for an entry of theirs all the more, but an entry by itself says less than another's
// number. A number of one or two digits stands in many references by chance and speaks only beside
// something else. Nothing is proposed for nothing.
func Propose(m Movement, people []Person, made []Made) []Proposal {
	words := wordsOf(m.Reference)
	all := append(wordsOf(m.Name), words...)
	speaks := map[uuid.UUID]Proposal{}
	var out []Proposal
	for i := range people {
		p := &people[i]
		one := Proposal{Member: p}
		add := func(why string, weight int) {
			one.Because = append(one.Because, why)
			one.weight += weight
		}
		number := wordsOf(p.Number)
		slight := false
		if len(number) > 0 && holds(words, number) {
			slight = len(strings.Join(number, "")) < 3 && strings.IndexFunc(p.Number, unicode.IsLetter) < 0
			add(ByNumber, 4)
		}
		if named, initials := tells(all, wordsOf(p.Name)); named {
			add(ByName, 3-initials)
		}
		if p.Owes == m.Minor {
			add(ByAmount, 2)
		}
		if slight && one.weight == 4 {
			continue
		}
		if one.weight > 0 {
			speaks[p.ID] = one
			out = append(out, one)
		}
	}
	known := map[uuid.UUID]bool{}
	for i := range made {
		e := &made[i]
		if known[e.ID] {
			continue
		}
		known[e.ID] = true
		if e.Minor != m.Minor || e.BookedOn.Before(m.On.AddDate(0, 0, -daysAround)) || e.BookedOn.After(m.On.AddDate(0, 0, daysAround)) {
			continue
		}
		one := Proposal{Entry: e, Because: []string{ByEntry}, weight: 3}
		if e.MemberID != nil {
			if at := slices.IndexFunc(people, func(p Person) bool { return p.ID == *e.MemberID }); at >= 0 {
				one.Member = &people[at]
			}
			also := speaks[*e.MemberID]
			for _, why := range also.Because {
				if why == ByAmount { // what they owe has that entry in it already
					one.weight -= 2
				} else {
					one.Because = append(one.Because, why)
				}
			}
			one.weight += also.weight
		}
		out = append(out, one)
	}
	slices.SortStableFunc(out, func(a, b Proposal) int {
		if a.Entry != nil && b.Entry != nil && a.weight == b.weight {
			return cmp.Compare(b.Entry.Number, a.Entry.Number)
		}
		return b.weight - a.weight
	})
	return out[:min(len(out), mostProposals)]
}

// tells reports whether words tell a name of several words: all of them, or the last one and
// initials of the others, as banks shorten them; initials is 1 where one was taken.
func tells(words, name []string) (told bool, initials int) {
	if len(name) < 2 || !slices.Contains(words, name[len(name)-1]) {
		return false, 0
	}
	for _, w := range name {
		if slices.Contains(words, w) {
			continue
		}
		first, _ := utf8.DecodeRuneInString(w)
		if !slices.Contains(words, string(first)) {
			return false, 0
		}
		initials = 1
	}
	return true, initials
}

// wordsOf are the words of a text, folded, cut where there is neither letter nor digit.
func wordsOf(text string) []string {
	var out []string
	for _, w := range strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.IsMark(r) }) {
		if folded := sheet.Fold(w); folded != "" {
			out = append(out, folded)
		}
	}
	return out
}

// holds reports whether the words of number stand in words, one behind the other, or
// written together: B-17 as B-17, B 17 or B17.
func holds(words, number []string) bool {
	if slices.Contains(words, strings.Join(number, "")) {
		return true
	}
	for i := 0; i+len(number) <= len(words); i++ {
		if slices.Equal(words[i:i+len(number)], number) {
			return true
		}
	}
	return false
}
