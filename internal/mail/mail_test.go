package mail_test

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"mime"
	"mime/quotedprintable"
	netmail "net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/mail"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var now = time.Date(2026, 5, 10, 8, 0, 0, 0, time.UTC)

// box is a club with so many reminders that wait to be mailed, to a member each.
type box struct {
	t    *testing.T
	pg   *pgtest.DB
	db   *postgres.DB
	club uuid.UUID
}

func newBox(t *testing.T, letters int) *box {
	t.Helper()
	b := &box{t: t, pg: pgtest.New(t), club: uuid.Must(uuid.NewV7())}
	b.db = &postgres.DB{Pool: b.pg.App}
	model, garage, tool := uuid.New(), uuid.New(), uuid.New()
	b.exec(`insert into club (club_id, slug, name, currency, created_at) values ($1, 'fern-row', 'Fern Row Garáges', 'EUR', '2026-01-01Z')`)
	b.exec(`insert into garage (club_id, id, code, name, time_zone) values ($1, $2, 'quay', 'Quay', 'Europe/Lisbon')`, garage)
	b.exec(`insert into tool_model (club_id, id, code, name, kind) values ($1, $2, 'any', 'Any', 'other')`, model)
	b.exec(`insert into tool (club_id, id, number, model_id, garage_id) values ($1, $2, 'G-2', $3, $4)`, tool, model, garage)
	b.exec(`insert into member (club_id, id, number, name, roles) select $1, gen_random_uuid(), 'k' || n, 'Keeper Sallow ' || n, '{tool_keeper}' from generate_series(1, $2) n`, letters)
	b.exec(`insert into contact (club_id, member_id, mail_address) select $1, id, number || '@fern-row.example' from member where club_id = $1`)
	b.exec(`insert into reminder (club_id, id, member_id, kind, subject, due_at, told_at, tools, time_zone, made_at, mail, mail_after)
		select $1, gen_random_uuid(), m.id, 'calibration', $2, '2026-05-20Z', '2026-05-20Z', array[$2::uuid], 'Europe/Lisbon', $3, 'waiting', $3 from member m where m.club_id = $1`, tool, now)
	return b
}

func (b *box) exec(sql string, args ...any) {
	b.t.Helper()
	if _, err := b.pg.Owner.Exec(b.t.Context(), sql, append([]any{b.club}, args...)...); err != nil {
		b.t.Fatalf("%s: %v", sql, err)
	}
}

// states are how the letters stand, by Message-ID.
func (b *box) states(p *mail.Post) map[string]string {
	b.t.Helper()
	rows, err := b.pg.Owner.Query(b.t.Context(), `select id, mail from reminder where club_id = $1`, b.club)
	if err != nil {
		b.t.Fatal(err)
	}
	defer rows.Close()
	out := map[string]string{}
	for rows.Next() {
		var id uuid.UUID
		var state string
		if err := rows.Scan(&id, &state); err != nil {
			b.t.Fatal(err)
		}
		out["<"+p.MessageID(id)+">"] = state
	}
	if err := rows.Err(); err != nil {
		b.t.Fatal(err)
	}
	return out
}

func (b *box) count(state string) (n int) {
	b.t.Helper()
	if err := b.pg.Owner.QueryRow(b.t.Context(), `select count(*) from reminder where club_id = $1 and mail = $2`, b.club, state).Scan(&n); err != nil {
		b.t.Fatal(err)
	}
	return n
}

func post(t *testing.T, s mail.Settings) *mail.Post {
	t.Helper()
	if s.From == "" {
		s.From = "Fern Row <club@fern-row.example>"
	}
	if s.Security == "" {
		s.Security = mail.Plain
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	s.Timeout = 20 * time.Second
	p, err := mail.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (b *box) sweep(p *mail.Post, at time.Time) int {
	b.t.Helper()
	n, err := p.Sweep(b.t.Context(), b.db, b.club, at)
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}

func TestALetterGoesOutClosedAndSignedIn(t *testing.T) {
	t.Parallel()
	b := newBox(t, 1)
	s := listen(t, "", true, nil)
	p := post(t, mail.Settings{Addr: s.addr, Security: mail.StartTLS, Roots: s.roots, User: "club", Password: "hunter2"})
	if n := b.sweep(p, now); n != 1 || len(s.taken) != 1 || s.logins != 1 {
		t.Fatalf("%d sent, %d taken, %d logins", n, len(s.taken), s.logins)
	}
	m := s.taken[0]
	h := m.msg.Header
	from, err := netmail.ParseAddress(h.Get("From"))
	if err != nil || from.Address != "club@fern-row.example" || from.Name != "Fern Row" || m.to != "k1@fern-row.example" {
		t.Errorf("from %v to %s: %v", from, m.to, err)
	}
	if date, err := h.Date(); err != nil || !date.Equal(now) {
		t.Errorf("dated %v: %v", date, err)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(h.Get("Subject"))
	if err != nil || subject != "Fern Row Garáges: calibration of G-2 falls due" {
		t.Errorf("the subject is %q: %v", subject, err)
	}
	// RFC 3834, 5: a message that nobody wrote says so, and then no responder answers it.
	if got := h.Get("Auto-Submitted"); got != "auto-generated" {
		t.Errorf("Auto-Submitted: %q", got)
	}
	if _, known := b.states(p)[h.Get("Message-Id")]; !known {
		t.Errorf("Message-ID: %q", h.Get("Message-Id"))
	}
	if !strings.HasPrefix(h.Get("Content-Type"), "text/plain") || h.Get("Content-Transfer-Encoding") != "quoted-printable" {
		t.Errorf("a %s in %s", h.Get("Content-Type"), h.Get("Content-Transfer-Encoding"))
	}
	text, err := io.ReadAll(quotedprintable.NewReader(m.msg.Body))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"The calibration of G-2 falls due on Wed 20 May 2026.", "member k1 of Fern Row Garáges", "calibration"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("it does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(m.raw, "Sallow") {
		t.Errorf("it names somebody:\n%s", m.raw)
	}
	if again := b.sweep(p, now.Add(time.Hour)); again != 0 || b.count("sent") != 1 {
		t.Errorf("%d sent again", again)
	}
}

func TestNoLetterGoesOutInClearWhereTLSIsWanted(t *testing.T) {
	t.Parallel()
	b := newBox(t, 1)
	s := listen(t, "", false, nil)
	b.sweep(post(t, mail.Settings{Addr: s.addr, Security: mail.StartTLS}), now)
	closed := listen(t, "", true, nil)
	b.sweep(post(t, mail.Settings{Addr: closed.addr, Security: mail.StartTLS}), now.Add(5*time.Hour)) // nobody vouches for its certificate
	b.sweep(post(t, mail.Settings{Addr: closed.addr, Security: mail.StartTLS, Roots: closed.roots, User: "club", Password: "wrong"}), now.Add(10*time.Hour))
	if len(s.taken)+len(closed.taken) != 0 || b.count("waiting") != 1 {
		t.Errorf("%d and %d taken, %d wait", len(s.taken), len(closed.taken), b.count("waiting"))
	}
	b.sweep(post(t, mail.Settings{Addr: closed.addr, Security: mail.StartTLS, Roots: closed.roots, User: "club", Password: "hunter2"}), now.Add(15*time.Hour))
	if len(closed.taken) != 1 {
		t.Errorf("%d taken when all was right", len(closed.taken))
	}
}

func TestNamesCannotWriteHeaders(t *testing.T) {
	t.Parallel()
	b := newBox(t, 1)
	b.exec(`update club set name = E'Fern\r\nBcc: all@fern-row.example\r\n\r\nRow\u2028x' where club_id = $1`)
	b.exec(`update tool set number = E'G-2\r\nX-Evil: 1\r\n.\r\nMAIL FROM:<a@b.example>' where club_id = $1`)
	s := listen(t, "", false, nil)
	b.sweep(post(t, mail.Settings{Addr: s.addr, From: "\"Fern\\\" Row\" <club@fern-row.example>"}), now)
	if len(s.taken) != 1 {
		t.Fatalf("%d taken", len(s.taken))
	}
	var names []string
	for name := range s.taken[0].msg.Header {
		names = append(names, name)
	}
	for _, name := range names {
		switch name {
		case "Auto-Submitted", "Content-Transfer-Encoding", "Content-Type", "Date", "From", "Message-Id", "Mime-Version", "Subject", "To":
		default:
			t.Errorf("a header %s: %s", name, s.taken[0].msg.Header.Get(name))
		}
	}
}

func TestEachLetterArrivesOnceWhenTheServerIsWell(t *testing.T) {
	t.Parallel()
	const letters = 40
	b := newBox(t, letters)
	s := listen(t, "", false, nil)
	p := post(t, mail.Settings{Addr: s.addr})
	var wg sync.WaitGroup
	for range 4 { // replicas
		wg.Go(func() { b.sweep(p, now) })
	}
	wg.Wait()
	want := map[string]int{}
	for id := range b.states(p) {
		want[id] = 1
	}
	if diff := cmp.Diff(want, s.arrived()); diff != "" || len(want) != letters || b.count("sent") != letters {
		t.Errorf("%d letters, %d sent; arrived (-want +got):\n%s", len(want), b.count("sent"), diff)
	}
}

// Several replicas, connections that end before, within and after a message,
// refusals for now and for good, again and again until nothing waits.
func TestNoLetterArrivesTwiceHoweverConnectionsEnd(t *testing.T) {
	t.Parallel()
	const letters = 48
	b := newBox(t, letters)
	s := listen(t, "", false, func(n int, to string) action {
		if to == "" {
			return take
		}
		return []action{take, cutHalf, take, cutAfter, tryLater, loseAfter, take, noSuchBox, take, refuse, cutHalf}[n%11]
	})
	p := post(t, mail.Settings{Addr: s.addr})
	at := now
	for range 60 {
		var wg sync.WaitGroup
		for range 3 {
			wg.Go(func() { b.sweep(p, at) })
		}
		wg.Wait()
		if b.count("waiting") == 0 {
			break
		}
		at = at.Add(31 * time.Minute)
	}
	if n := b.count("waiting") + b.count("sending"); n != 0 {
		t.Fatalf("%d letters still wait or are on their way", n)
	}
	arrived := s.arrived()
	tally := map[string]int{}
	for id, state := range b.states(p) {
		tally[state]++
		n := arrived[id]
		switch {
		case n > 1:
			t.Errorf("%s arrived %d times", id, n)
		case state == "sent" && n != 1:
			t.Errorf("%s counts as sent and did not arrive", id)
		case state == "refused" && n != 0:
			t.Errorf("%s counts as refused and arrived", id)
		}
	}
	for _, state := range []string{"sent", "refused", "unknown"} {
		if tally[state] == 0 {
			t.Errorf("no letter ended as %s: %v", state, tally)
		}
	}
}

func TestAServerThatIsAwayGetsEverythingOnceItIsBack(t *testing.T) {
	t.Parallel()
	const letters = 5
	b := newBox(t, letters)
	gone := listen(t, "", false, nil)
	gone.close(t)
	p := post(t, mail.Settings{Addr: gone.addr})
	for i := range 4 {
		if n := b.sweep(p, now.Add(time.Duration(i)*time.Minute)); n != 0 {
			t.Fatalf("%d sent to nobody", n)
		}
	}
	if n := b.count("waiting"); n != letters {
		t.Fatalf("%d of %d wait", n, letters)
	}
	s := listen(t, gone.addr, false, nil)
	b.sweep(p, now.Add(5*time.Hour))
	if got := s.arrived(); len(got) != letters || b.count("sent") != letters {
		t.Errorf("%d arrived, %d sent", len(got), b.count("sent"))
	}
}

// A sender that is not let in is the operator's to mend, and no letter is lost by it.
func TestARefusedSenderLosesNoLetter(t *testing.T) {
	t.Parallel()
	b := newBox(t, 2)
	strict := true
	var log bytes.Buffer
	s := listen(t, "", false, func(int, string) action {
		if strict {
			return noSender
		}
		return take
	})
	p := post(t, mail.Settings{Addr: s.addr, Log: slog.New(slog.NewTextHandler(&log, nil))})
	b.sweep(p, now)
	if b.count("waiting") != 2 || !strings.Contains(log.String(), "reply=550") {
		t.Errorf("%d wait; logged %s", b.count("waiting"), log.String())
	}
	s.mu.Lock()
	strict = false
	s.mu.Unlock()
	b.sweep(p, now.Add(5*time.Hour))
	if b.count("sent") != 2 {
		t.Errorf("%d sent", b.count("sent"))
	}
}

func TestTheLogShowsNoAddress(t *testing.T) {
	t.Parallel()
	b := newBox(t, 1)
	var log bytes.Buffer
	s := listen(t, "", false, func(int, string) action { return noSuchBox })
	b.sweep(post(t, mail.Settings{Addr: s.addr, Log: slog.New(slog.NewTextHandler(&log, nil))}), now)
	if b.count("refused") != 1 || !strings.Contains(log.String(), "reply=550") || strings.Contains(log.String(), "k1@") {
		t.Errorf("%d refused; logged %s", b.count("refused"), log.String())
	}
}

// What a killed process leaves: a letter that is on its way, and nobody who sends it.
func TestALetterWhoseSenderDiedIsNotSentAgain(t *testing.T) {
	t.Parallel()
	b := newBox(t, 2)
	letters, more, err := reminder.Claim(context.Background(), b.db, b.club, now, 1)
	if err != nil || len(letters) != 1 || !more {
		t.Fatalf("claimed %v, more %v: %v", letters, more, err)
	}
	s := listen(t, "", false, nil)
	p := post(t, mail.Settings{Addr: s.addr})
	for _, after := range []time.Duration{time.Minute, 16 * time.Minute, 24 * time.Hour} {
		b.sweep(p, now.Add(after))
	}
	if got := s.arrived(); len(got) != 1 || got["<"+p.MessageID(letters[0].ID)+">"] != 0 || b.count("unknown") != 1 || b.count("sent") != 1 {
		t.Errorf("arrived %v; %d unknown, %d sent", got, b.count("unknown"), b.count("sent"))
	}
	// It was slow and not dead: what it says in the end is what counts.
	if err := reminder.Settle(context.Background(), b.db, b.club, now.Add(25*time.Hour), letters[0], reminder.Sent, 0); err != nil {
		t.Fatal(err)
	}
	if b.count("sent") != 2 {
		t.Errorf("%d sent", b.count("sent"))
	}
}

func TestSettingsThatCannotWorkAreRefused(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]mail.Settings{
		"an address without a port": {Addr: "mx.fern-row.example", Security: mail.StartTLS, From: "club@fern-row.example", Timeout: time.Second},
		"a sender that is none":     {Addr: "mx.fern-row.example:587", Security: mail.StartTLS, From: "the club", Timeout: time.Second},
		"an unknown way":            {Addr: "mx.fern-row.example:587", Security: "ssl3", From: "club@fern-row.example", Timeout: time.Second},
	} {
		if _, err := mail.New(s); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
