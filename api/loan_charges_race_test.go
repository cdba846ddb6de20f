package api_test

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
)

// returned makes a loan of the tool by the member that has ended, past the service, with a
// use for each count; it returns the loan's id and the uses'.
func (d *desk) returned(tool, member string, counts ...int) (loan string, uses []string) {
	d.t.Helper()
	loan = newID()
	from := d.clock.now().Add(-48 * time.Hour)
	act, reservation := newID(), newID()
	d.sql(`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, $1, 'handout', id, $2, $2 from member where number = $3`, act, from, member)
	d.sql(`insert into reservation (club_id, id, member_id, created_at) select club_id, $1, id, $2 from member where number = $3`, reservation, from, member)
	// No two promises of a tool overlap, so each loan has an hour of its own.
	d.sql(`insert into booking (club_id, reservation_id, line, tool_id, period, held, state)
		select t.club_id, $1, 0, t.id, tstzrange(s.at, s.at + interval '1 hour'), tstzrange(s.at, s.at + interval '1 hour'), 'returned'
		from tool t cross join lateral (select $2::timestamptz - interval '2 hours' * (1 + count(*)) as at from booking b where b.club_id = t.club_id and b.tool_id = t.id) s where t.number = $3`, reservation, from, tool)
	d.sql(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
		select b.club_id, $1, b.reservation_id, 0, b.tool_id, r.member_id, $2, lower(b.period), b.held, lower(b.period), upper(b.period), 'returned'
		from booking b join reservation r on r.club_id = b.club_id and r.id = b.reservation_id where b.reservation_id = $3`, loan, act, reservation)
	for _, n := range counts {
		uses = append(uses, d.used(loan, n))
	}
	return loan, uses
}

// longSince makes what was set today valid when the loans that have ended began.
func (d *desk) longSince() {
	d.t.Helper()
	d.sql(`update charge_rule set valid_from = valid_from - 400`)
	d.sql(`update tool_cost set valid_from = valid_from - 400`)
}

// Many treasurers charge one loan at once, in a club whose books are empty: it is charged
// once, and so it is corrected.
func TestLoanIsChargedOnceByWhoeverIsFirst(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	d.patient()
	d.longSince()
	loan, uses := d.returned("R-1", d.number, 2, 1)
	at := d.at("loans/" + loan + "/charge")
	for _, round := range []struct {
		path string
		body row
	}{{at, row{"damage": row{"amount": money(50), "note": "a scratch"}}}, {at + "/correct", row{"note": "counted twice"}}} {
		count, _ := race(24, func(int) *response { return d.do("POST", round.path, treasurer, round.body) })
		if count[201] != 1 || count[409] != 23 {
			t.Errorf("%s was answered %v", round.path, count)
		}
		d.voids(uses[len(uses)-1])
		uses = uses[:len(uses)-1]
	}
	var charges, corrections int
	if err := d.db.Owner.QueryRow(t.Context(), `select count(*) filter (where corrects is null), count(*) filter (where corrects is not null) from loan_charge`).Scan(&charges, &corrections); err != nil || charges != 1 || corrections != 1 {
		t.Errorf("%d charges and %d corrections, %v", charges, corrections, err)
	}
	d.books(3 + 3 + 3) // use, consumables and damage, undone, and anew
	if n := d.db.Deadlocks(t); n > 0 {
		t.Errorf("writers waited in a circle %d times", n)
	}
}

// The database itself charges a loan once, whatever the service would write.
func TestTheDatabaseChargesALoanOnce(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	loan, _ := d.returned("R-1", d.number, 2)
	d.do("POST", d.at("loans/"+loan+"/charge"), treasurer, row{}).want(201)
	_, err := d.db.Owner.Exec(t.Context(), `insert into loan_charge select (jsonb_populate_record(x, jsonb_build_object('id', gen_random_uuid()))).* from loan_charge x`)
	if err == nil || !contains(&response{body: []byte(err.Error())}, "loan_charged_once") {
		t.Errorf("charged twice: %v", err)
	}
}

// Many quote, charge and correct loans, pay and book by hand at once, some requests twice,
// while others read: every snapshot adds up to nothing, every loan is charged once, no
// life is charged more than its value, and numbers have no gap.
func TestBooksAddUpWhileLoansAreCharged(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	d.patient()
	d.longSince()
	const loans, clients, each = 24, 12, 10
	var all [loans]string
	var uses [loans]string
	for i := range loans {
		id, made := d.returned([]string{"R-1", "R-2"}[i%2], d.number, 1+i%3, 1)
		all[i], uses[i] = id, made[1]
	}
	done := make(chan struct{})
	var readers sync.WaitGroup
	snapshots := 0
	readers.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
			}
			var total, lines, worn int64
			if err := d.db.Owner.QueryRow(t.Context(), `select (select coalesce(sum(balance), 0) from account), (select coalesce(sum(minor), 0) from posting),
				(select coalesce(max(s.sum), 0) from (select sum(wear_minor) as sum from loan_charge x where not exists (select from loan_charge y where y.corrects = x.id) group by tool_id) s)`).
				Scan(&total, &lines, &worn); err != nil || total != 0 || lines != 0 || worn > 1000 {
				t.Errorf("a snapshot: accounts %d, postings %d, wear of a tool %d, %v", total, lines, worn, err)
			}
			snapshots++
		}
	})
	var voided sync.Map
	race(clients, func(i int) *response {
		random := rand.New(rand.NewPCG(43, uint64(i)))
		var last *response
		for range each {
			n := random.IntN(loans)
			var path string
			var body row
			switch random.IntN(6) {
			case 0:
				path, body = "payments", row{"member": d.number, "amount": money(1 + random.IntN(900))}
			case 1:
				path, body = "quotes", row{"period": d.period(0, 5), "lines": []row{{"tool": "R-1", "expected_uses": 1 + random.IntN(5)}, {"tool_model": "puller", "expected_uses": random.IntN(5)}}}
			case 2:
				if _, twice := voided.LoadOrStore(n, true); !twice {
					d.voids(uses[n])
				}
				path, body = "loans/"+all[n]+"/charge/correct", row{"note": "counted twice"}
			default:
				path, body = "loans/"+all[n]+"/charge", row{}
			}
			key := header{"Idempotency-Key", uuid.Must(uuid.NewV7()).String()}
			var first *response
			for range 1 + random.IntN(2) {
				last = d.do("POST", d.at(path), treasurer, body, key)
				if last.status != 201 && last.status != 409 {
					t.Errorf("%s %v: %d %s", path, body, last.status, last.body)
				}
				if first != nil && first.status == 201 && string(first.body) != string(last.body) {
					t.Errorf("%s: first %s\nthen %s", path, first.body, last.body)
				}
				first = last
			}
		}
		return last
	})
	close(done)
	readers.Wait()
	for _, id := range all { // the rest, so that all are charged
		last := d.do("POST", d.at("loans/"+id+"/charge"), treasurer, row{})
		if last.status != 201 && last.status != 409 {
			t.Errorf("the rest: %d %s", last.status, last.body)
		}
	}
	var odd string
	if err := d.db.Owner.QueryRow(t.Context(), `select coalesce(string_agg(fault, '; '), '') from (
		select 'loan ' || l.id || ' has ' || count(x.id) || ' charges that stand' as fault from loan l
			left join loan_charge x on x.loan_id = l.id and not exists (select from loan_charge y where y.corrects = x.id) group by l.id having count(x.id) <> 1
		union all select 'charge ' || x.id || ' comes to ' || s.total || ' of ' || x.flat_minor + x.wear_minor + x.consumables_minor + x.other_minor + x.late_minor + x.damage_minor
			from loan_charge x cross join lateral (select coalesce(sum(e.minor), 0) as total from loan_charge_entry k join entry e on e.club_id = k.club_id and e.id = k.entry_id where k.charge_id = x.id) s
			where s.total <> x.flat_minor + x.wear_minor + x.consumables_minor + x.other_minor + x.late_minor + x.damage_minor
		union all select 'a corrected charge still stands in the books: ' || x.id from loan_charge x join loan_charge y on y.corrects = x.id join loan_charge_entry k on k.charge_id = x.id
			where not exists (select from entry v where v.reverses = k.entry_id)
		union all select 'a charge that stands was reversed: ' || x.id from loan_charge x join loan_charge_entry k on k.charge_id = x.id join entry v on v.reverses = k.entry_id
			where not exists (select from loan_charge y where y.corrects = x.id)
		union all select 'the member owes ' || a.balance from account a where a.kind = 'member' and a.balance <> (select coalesce(sum(flat_minor + wear_minor + consumables_minor + other_minor + late_minor + damage_minor), 0)
			from loan_charge x where not exists (select from loan_charge y where y.corrects = x.id)) - (select coalesce(sum(minor), 0) from entry where kind = 'payment')) f`).Scan(&odd); err != nil || odd != "" {
		t.Errorf("%s, %v", odd, err)
	}
	entries, faults := d.verifyBooks()
	t.Logf("%d entries, %d snapshots", entries, snapshots)
	if len(faults) > 0 || entries < loans || snapshots < 3 {
		t.Error(fmt.Sprint(entries, snapshots, faults))
	}
	if n := d.db.Deadlocks(t); n > 0 {
		t.Errorf("writers waited in a circle %d times", n)
	}
}
