// Package mail hands letters to an SMTP server (RFC 5321) for submission, by TLS
// or STARTTLS and with a login where there is one.
//
// It tells four ends of that apart, because a letter must not arrive twice: the
// server took it; it refused it for good; it certainly did not take it; nobody
// knows, since the connection broke after the last line of the message was sent
// and before its answer came. A message whose last line never left is none (RFC
// 5321, 4.1.1.4: the server acts on the end of the data), so that may be tried
// again.
//
// Which letters go when is package reminder's.
package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	netmail "net/mail"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	gomail "github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"

	"pinwright/internal/reminder"
)

// How the connection is closed to others.
const (
	StartTLS = "starttls" // asked for, and insisted on
	TLS      = "tls"      // from the first byte (RFC 8314)
	Plain    = "none"     // for a server on the same machine
)

// Settings of a server.
type Settings struct {
	Addr     string // host:port
	Security string // StartTLS, TLS or Plain
	User     string // empty: no login
	Password string
	From     string // an address, with or without a name
	Timeout  time.Duration
	Roots    *x509.CertPool // whose certificates count; nil for the system's
	Log      *slog.Logger
	Metrics  prometheus.Registerer // may be nil
}

// Post hands over letters.
type Post struct {
	from    netmail.Address
	domain  string // of its address, for Message-ID
	client  *gomail.Client
	timeout time.Duration
	log     *slog.Logger
	letters *prometheus.CounterVec // by what became of them
}

// New checks the settings and speaks to nobody.
func New(s Settings) (*Post, error) {
	host, port, err := net.SplitHostPort(s.Addr)
	if err != nil {
		return nil, fmt.Errorf("mail: the server's address: %w", err)
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil, errors.New("mail: the server's port is no number")
	}
	from, err := netmail.ParseAddress(s.From)
	if err != nil {
		return nil, fmt.Errorf("mail: the sender's address: %w", err)
	}
	domain := from.Address[strings.LastIndexByte(from.Address, '@')+1:]
	options := []gomail.Option{gomail.WithPort(number), gomail.WithTimeout(s.Timeout), gomail.WithHELO(domain), gomail.WithoutNoop(),
		gomail.WithTLSConfig(&tls.Config{ServerName: host, RootCAs: s.Roots, MinVersion: tls.VersionTLS12})}
	switch s.Security {
	case StartTLS:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	case TLS:
		options = append(options, gomail.WithSSL())
	case Plain:
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS))
	default:
		return nil, fmt.Errorf("mail: %q is no way to close a connection", s.Security)
	}
	if s.User != "" {
		// Of what the server offers the strongest; on an open connection none that shows the password.
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(s.User), gomail.WithPassword(s.Password))
	}
	client, err := gomail.NewClient(host, options...)
	if err != nil {
		return nil, fmt.Errorf("mail: %w", err)
	}
	p := &Post{from: *from, domain: domain, client: client, timeout: s.Timeout, log: s.Log,
		letters: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "pinwright_letters_total", Help: "Letters offered to the mail server, by what became of them."}, []string{"outcome"})}
	for _, name := range outcomes {
		p.letters.WithLabelValues(name)
	}
	if s.Metrics != nil {
		if err := s.Metrics.Register(p.letters); err != nil {
			return nil, fmt.Errorf("mail: %w", err)
		}
	}
	return p, nil
}

var outcomes = map[reminder.Outcome]string{reminder.Sent: "sent", reminder.Refused: "refused", reminder.Later: "later", reminder.Unknown: "unknown"}

// MessageID is the same for all tries of one letter, so that whoever gets it
// twice all the same can tell.
func (p *Post) MessageID(letter uuid.UUID) string {
	return "reminder." + letter.String() + "@" + p.domain
}

// compose makes the message.
func (p *Post) compose(l reminder.Letter, now time.Time) (*gomail.Msg, error) {
	m := gomail.NewMsg(gomail.WithNoDefaultUserAgent(), gomail.WithCharset(gomail.CharsetUTF8), gomail.WithEncoding(gomail.EncodingQP))
	if err := m.From((&netmail.Address{Name: oneLine(p.from.Name), Address: p.from.Address}).String()); err != nil {
		return nil, err
	}
	if err := m.To(l.To); err != nil {
		return nil, err
	}
	m.Subject(oneLine(l.Subject))
	m.SetDateWithValue(now)
	m.SetMessageIDWithValue(p.MessageID(l.ID))
	// So that no out-of-office answers it (RFC 3834, 5).
	m.SetGenHeader("Auto-Submitted", "auto-generated")
	m.SetBodyString(gomail.TypeTextPlain, l.Text)
	return m, nil
}

// oneLine keeps what people called things from ending a header.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\u0085' || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, text)
}

// session is a connection that serves several letters.
type session struct {
	p    *Post
	open *smtp.Client
}

// close ends it. What it says then matters to no letter.
func (s *session) close() {
	if s.open != nil {
		_ = s.p.client.CloseWithSMTPClient(s.open)
		s.open = nil
	}
}

// end of a letter's way.
type end struct {
	how   reminder.Outcome
	reply int  // the server's code, where it gave one
	away  bool // the server serves nobody of ours now
	why   error
}

// send hands one letter over and tells how that ended.
func (s *session) send(ctx context.Context, l reminder.Letter, now time.Time) end {
	m, err := s.p.compose(l, now)
	if err != nil {
		return end{how: reminder.Refused, why: err}
	}
	if s.open == nil {
		if s.open, err = s.p.dial(ctx); err != nil {
			s.open = nil
			return end{how: reminder.Later, away: true, why: err}
		}
	}
	if err = s.p.client.SendWithSMTPClient(s.open, m); err == nil {
		return end{how: reminder.Sent}
	}
	s.close() // whatever state it is in
	return endOf(err, m.IsDelivered())
}

func (p *Post) dial(ctx context.Context) (*smtp.Client, error) {
	ctx, cancel := context.WithTimeout(ctx, p.timeout)
	defer cancel()
	return p.client.DialToSMTPClientWithContext(ctx)
}

// endOf is what an error means for the letter.
func endOf(err error, taken bool) end {
	e := end{why: err}
	var failed *gomail.SendError
	switch {
	case taken: // what failed came after
		e.how = reminder.Sent
		return e
	case !errors.As(err, &failed): // before any message was begun
		e.how, e.away = reminder.Later, true
		return e
	}
	e.reply = failed.ErrorCode()
	permanent, temporary := e.reply >= 500 && e.reply < 600, e.reply >= 400 && e.reply < 500
	switch {
	case failed.Reason == gomail.ErrSMTPMailFrom:
		// Nobody was named yet: a refusal of the sender is about how this service is set
		// up, and no letter's fault.
		e.how, e.away = reminder.Later, true
	case permanent:
		e.how = reminder.Refused
	case temporary:
		e.how = reminder.Later
	case failed.Reason == gomail.ErrSMTPDataClose || failed.Reason == gomail.ErrSMTPReset || failed.Reason == gomail.ErrAmbiguous:
		e.how = reminder.Unknown // the last line may have left
	default:
		e.how, e.away = reminder.Later, true
	}
	return e
}
