package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/founding"
	"pinwright/internal/jobs"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// mailbox is an SMTP server of a few lines, which takes everything (RFC 5321, 4.5.1:
// EHLO, MAIL, RCPT, DATA, RSET, NOOP, QUIT) and passes messages on.
func mailbox(t *testing.T) (addr string, messages <-chan string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	out := make(chan string, 100)
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go serveMail(conn, out)
		}
	}()
	return l.Addr().String(), out
}

func serveMail(conn net.Conn, out chan<- string) {
	defer conn.Close() //nolint:errcheck // a test's
	say := func(line string) { fmt.Fprint(conn, line, "\r\n") }
	say("220 mx.fern-row.example")
	in := bufio.NewReader(conn)
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		switch verb, _, _ := strings.Cut(strings.ToUpper(strings.TrimSpace(line)), " "); verb {
		case "DATA":
			say("354 go on")
			var text strings.Builder
			for {
				line, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if line == ".\r\n" {
					break
				}
				text.WriteString(line)
			}
			out <- text.String()
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 mx.fern-row.example")
		}
	}
}

// From a loan in the database to a letter at the mail server, by two processes of
// the service that run beside each other.
func TestServiceMailsWhatIsDueOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	if err := jobs.Migrate(t.Context(), db.OwnerURL, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	founded, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{Slug: "fern-row", Name: "Fern Row Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Piers Halloway"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	tool := uuid.New()
	for _, statement := range []string{
		`insert into garage (club_id, id, code, name, time_zone) select $1, gen_random_uuid(), 'quay', 'Quay', 'Europe/Lisbon' where $2::uuid is not null`,
		`insert into tool_model (club_id, id, code, name, kind) select $1, gen_random_uuid(), 'any', 'Any', 'other' where $2::uuid is not null`,
		`insert into tool (club_id, id, number, model_id, garage_id) select $1, $2, 'R-1', m.id, g.id from tool_model m, garage g where m.club_id = $1 and g.club_id = $1`,
		`insert into contact (club_id, member_id, mail_address) select $1, id, 'piers@fern-row.example' from member where club_id = $1 and $2::uuid is not null`,
		`insert into reservation (club_id, id, member_id, created_at) select $1, $2, id, now() - interval '9 days' from member where club_id = $1`,
		`insert into booking (club_id, reservation_id, line, tool_id, period, held, state) select $1, $2, 0, $2, p, p, 'out' from tstzrange(now() - interval '8 days', now() - interval '1 minute') p`,
		`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select $1, $2, 'handout', id, now() - interval '8 days', now() from member where club_id = $1`,
		`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
			select $1, $2, $2, 0, $2, id, $2, now() - interval '8 days', tstzrange(now() - interval '8 days', now()), now() from member where club_id = $1`,
	} {
		if _, err := db.Owner.Exec(t.Context(), statement, founded.ClubID, tool); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
	addr, messages := mailbox(t)
	settings := []string{"PINWRIGHT_JOBS_DATABASE_URL=" + db.JobsURL, "PINWRIGHT_SMTP_ADDR=" + addr, "PINWRIGHT_SMTP_SECURITY=none", "PINWRIGHT_SMTP_FROM=club@fern-row.example"}
	first, second := start(t, db, settings...), start(t, db, settings...)
	select {
	case text := <-messages:
		if !strings.Contains(text, "R-1 late") || !strings.Contains(text, "To: <piers@fern-row.example>") || !strings.Contains(text, "Auto-Submitted: auto-generated") {
			t.Errorf("the letter is\n%s", text)
		}
	case <-time.After(4 * time.Minute): // each sweep comes once a minute
		t.Fatal("no letter within four minutes")
	}
	for _, p := range []*process{first, second} {
		if got := p.beside(t)["jobs"]; got != "ok" {
			t.Errorf("/readyz says of jobs: %q", got)
		}
		if code, log := p.stop(t); code != 0 {
			t.Errorf("it ended with %d:\n%s", code, log)
		}
	}
	var sent, open int
	if err := db.Owner.QueryRow(t.Context(), `select count(*) filter (where mail = 'sent'), count(*) filter (where mail = 'sending') from reminder`).Scan(&sent, &open); err != nil {
		t.Fatal(err)
	}
	if sent != 1 || open != 0 || len(messages) != 0 {
		t.Errorf("%d sent, %d on their way, %d more letters", sent, open, len(messages))
	}
}

func TestServiceIsReadyWithoutItsJobs(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t) // without the queue's tables
	for setting, want := range map[string]string{"PINWRIGHT_JOBS=off": "off", "PINWRIGHT_JOBS_DATABASE_URL=" + db.JobsURL: "jobs do not run: the log says why"} {
		p := start(t, db, setting)
		if got := p.beside(t); got["jobs"] != want {
			t.Errorf("%s: /readyz says %v", strings.SplitN(setting, "=", 2)[0], got)
		}
		if code, log := p.stop(t); code != 0 {
			t.Errorf("it ended with %d:\n%s", code, log)
		}
	}
}

// stop asks the process to end.
func (p *process) stop(t *testing.T) (int, string) {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	return p.end(t)
}

// A sweep that is not on the list never comes.
func TestEverySweepIsOnTheList(t *testing.T) {
	t.Parallel()
	list, err := os.ReadFile("serve_jobs.go")
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("../../internal/*/*.go")
	if err != nil {
		t.Fatal(err)
	}
	form := regexp.MustCompile(`(?m)^func (Sweep\w*)\(ctx context\.Context, db \*postgres\.DB, club uuid\.UUID, now time\.Time\) \(int, error\)`)
	found := 0
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range form.FindAllStringSubmatch(string(text), -1) {
			found++
			if name := filepath.Base(filepath.Dir(file)) + "." + m[1]; !strings.Contains(string(list), "Run: "+name+"}") {
				t.Errorf("%s is not on the list of sweeps in serve_jobs.go", name)
			}
		}
	}
	if found < 3 {
		t.Errorf("found only %d sweeps; the form that this test looks for has changed", found)
	}
}

// beside is what runs beside the requests of a process that is ready.
func (p *process) beside(t *testing.T) map[string]string {
	t.Helper()
	answer, err := http.Get("http://" + p.address + "/readyz")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close() //nolint:errcheck // only read from
	var report struct{ Beside map[string]string }
	if err := json.NewDecoder(answer.Body).Decode(&report); err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("/readyz: %d, %v", answer.StatusCode, err)
	}
	return report.Beside
}
