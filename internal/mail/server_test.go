package mail_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"math/big"
	"net"
	netmail "net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// server is an SMTP server that keeps what it takes, and can be told how to
// misbehave.
type server struct {
	addr  string
	roots *x509.CertPool
	smtp  *smtp.Server
	l     net.Listener

	mu     sync.Mutex
	taken  []taken
	logins int
	// act says how the n-th message (from 0) of this server fares; nil takes all.
	act  func(n int, to string) action
	seen int
}

type taken struct {
	to  string
	msg *netmail.Message
	raw string
}

type action int

const (
	take      action = iota
	cutHalf          // the connection ends in the middle of the message
	cutAfter         // the message is taken, and the connection ends before that is said
	loseAfter        // as cutAfter, but the message is gone
	tryLater         // 451
	refuse           // 554
	noSuchBox        // 550 to the address
	noSender         // 550 to the sender
)

// listen starts a server; with addr empty on a free port.
func listen(t *testing.T, addr string, tlsOn bool, act func(n int, to string) action) *server {
	t.Helper()
	s := &server{act: act}
	s.smtp = smtp.NewServer(s)
	s.smtp.Domain = "mx.fern-row.example"
	s.smtp.AllowInsecureAuth = false
	s.smtp.ReadTimeout, s.smtp.WriteTimeout = 20*time.Second, 20*time.Second
	if tlsOn {
		var cert tls.Certificate
		cert, s.roots = certificate(t)
		s.smtp.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	if addr == "" {
		addr = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	s.addr, s.l = l.Addr().String(), l
	go s.smtp.Serve(l)                       //nolint:errcheck // it ends when closed
	t.Cleanup(func() { _ = s.smtp.Close() }) // some tests close it themselves
	return s
}

func certificate(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, roots
}

// close ends the server, also before it began to serve.
func (s *server) close(t *testing.T) {
	t.Helper()
	_ = s.smtp.Close() // it may not know its listener yet
	if err := s.l.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		t.Fatal(err)
	}
}

// NewSession implements smtp.Backend.
func (s *server) NewSession(c *smtp.Conn) (smtp.Session, error) {
	return &sitting{s: s, c: c}, nil
}

type sitting struct {
	s  *server
	c  *smtp.Conn
	to string
	do action
}

func (x *sitting) AuthMechanisms() []string { return []string{sasl.Plain} }

func (x *sitting) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "club" || password != "hunter2" {
			return errors.New("no")
		}
		x.s.mu.Lock()
		defer x.s.mu.Unlock()
		x.s.logins++
		return nil
	}), nil
}

func (x *sitting) Reset()        { x.to, x.do = "", take }
func (x *sitting) Logout() error { return nil }

func (x *sitting) Mail(string, *smtp.MailOptions) error {
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	if x.s.act != nil && x.s.act(x.s.seen, "") == noSender {
		return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 7, 1}, Message: "not this sender"}
	}
	return nil
}

func (x *sitting) Rcpt(to string, _ *smtp.RcptOptions) error {
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	x.to, x.do = to, take
	if x.s.act != nil {
		x.do = x.s.act(x.s.seen, to)
	}
	x.s.seen++
	if x.do == noSuchBox {
		return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no box " + to}
	}
	return nil
}

func (x *sitting) Data(r io.Reader) error {
	if x.do == cutHalf {
		_, _ = io.ReadFull(r, make([]byte, 100))
		_ = x.c.Conn().Close()
		return errors.New("cut")
	}
	raw, err := io.ReadAll(r)
	if err != nil {
		return err // the end of the data never came
	}
	switch x.do {
	case tryLater:
		return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "later"}
	case refuse:
		return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "never"}
	case loseAfter:
		_ = x.c.Conn().Close()
		return errors.New("cut")
	}
	msg, err := netmail.ReadMessage(strings.NewReader(string(raw)))
	if err != nil {
		return err
	}
	x.s.mu.Lock()
	x.s.taken = append(x.s.taken, taken{to: x.to, msg: msg, raw: string(raw)})
	x.s.mu.Unlock()
	if x.do == cutAfter {
		_ = x.c.Conn().Close()
		return errors.New("cut")
	}
	return nil
}

// arrived is how often each Message-ID was taken.
func (s *server) arrived() map[string]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]int{}
	for _, m := range s.taken {
		out[m.msg.Header.Get("Message-Id")]++
	}
	return out
}
