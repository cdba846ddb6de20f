// Package config is the one place where settings come from: the environment and
// the flags of a command, a flag winning over its variable. A secret may also
// stand in a file, named by the variable with _FILE behind it.
//
// Every setting is a documented field of Config. Declare puts them on a flag
// set; Load reads them, checks each and what must hold between them, and names
// everything that is wrong at once. Nothing else in the service reads the
// environment. Secrets print masked, by their type.
package config

import (
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"
)

// Config holds all settings. Which of them a command needs is said by Need.
type Config struct {
	// Addr is the address to serve on, host:port. Port 0 takes a free one.
	Addr string
	// MetricsAddr is where /metrics is served instead, host:port; empty leaves it
	// beside the API. It has no protection of its own: choose an address that only
	// the collector of figures reaches.
	MetricsAddr string
	// PublicURL is how clients reach the service, for links; empty means
	// http:// and the address served on.
	PublicURL string

	// ServeURL logs in as the serving role, MigrateURL as the owning role.
	ServeURL, MigrateURL DatabaseURL
	// BackupURL logs in as the backup role, which reads every club's rows.
	BackupURL DatabaseURL
	// AdminURL logs in as an administrator of a server. Installing needs it;
	// the demo works on that server instead of a private cluster.
	AdminURL DatabaseURL
	// JobsURL logs in as the role that keeps time; empty, it is ServeURL with that
	// role and JobsPassword (see JobsLogin). Jobs is off where this process is to do
	// nothing of what comes by the clock.
	JobsURL DatabaseURL
	Jobs    string
	// OwnerPassword, AppPassword, BackupPassword and JobsPassword are set by
	// installing; an empty one leaves the role's password as it is.
	OwnerPassword, AppPassword, BackupPassword, JobsPassword Secret
	// PostgresStep allows the demo one step of finding a server: given,
	// installed or fetched; empty allows all.
	PostgresStep string
	// DataDir is the folder in which the demo keeps its private cluster; empty
	// means a folder of the invoking user's, outside root's home.
	DataDir string

	// Issuer is the identifier of the OpenID Connect issuer whose tokens sign
	// people in, exactly as it stands in their claim iss; empty for none. Audience
	// is what must stand in aud, and Leeway how far clocks may differ.
	Issuer, Audience string
	Leeway           time.Duration

	// PoolSize is the most connections to the database of one process, from 1.
	// Twice the server's cores is best: a pool of 4 on 2 cores did a third
	// more than one of 16.
	PoolSize int
	// PoolWait is how long a request waits for a connection before it is told
	// to come back later.
	PoolWait time.Duration
	// PoolQueue is how many requests may wait for one. Past its peak a service that
	// lets everybody wait answers all too late; so what comes on top is told at once
	// to come back.
	PoolQueue int

	// SMTPAddr is the server that takes mail for submission, host:port; empty, and
	// nothing is mailed. SMTPSecurity is starttls, tls (from the first byte), or none
	// for a server on the same machine. SMTPFrom is the sender, with or without a name.
	SMTPAddr, SMTPSecurity, SMTPUser, SMTPFrom string
	SMTPPassword                               Secret
	// SMTPTimeout bounds each step of handing a message over.
	SMTPTimeout time.Duration

	// RateLimit is how many requests a second one token may make, or one address
	// without a token, in one process; 0 for no limit. RateBurst is how many it may
	// make at once before that holds.
	RateLimit, RateBurst int
	// TrustedProxies are the networks whose X-Forwarded-For is believed; without
	// them the client's address is that of the connection.
	TrustedProxies []netip.Prefix

	// ReadHeaderTimeout, ReadTimeout, WriteTimeout and IdleTimeout bound a
	// connection's header, whole request, answer, and rest between requests.
	ReadHeaderTimeout, ReadTimeout, WriteTimeout, IdleTimeout time.Duration
	// RequestTimeout bounds the work on one request. It must leave time to
	// write the answer that says so.
	RequestTimeout time.Duration
	// UploadTimeout bounds how long a photo may take to come in: a phone in a
	// garage sends slowly. The work on it has RequestTimeout beside.
	UploadTimeout time.Duration
	// DrainDelay is how long a stopping process still serves while it reports
	// not ready, so that balancers can look away; 0 without a balancer.
	DrainDelay time.Duration
	// ShutdownGrace is how long requests may finish after that.
	ShutdownGrace time.Duration

	// MaxBody is the largest request body in bytes. A batch of 1,000 readings
	// is about half a megabyte.
	MaxBody int64
	// MaxHeader is the largest request header in bytes.
	MaxHeader int64

	// HeadsEvery is how often the heads of journals that were written to are
	// logged, and appended to HeadsFile unless that is empty. Kept where the
	// database's administrators cannot write, they prove its past.
	HeadsEvery time.Duration
	HeadsFile  string

	// PhotoSpace is how many bytes the photos of one club may take in the database;
	// one is about a megabyte. PhotoMemory is how many bytes of memory all photos
	// that are decoded at once may take, which is also what one of them may.
	PhotoSpace, PhotoMemory int64

	// LogLevel is the least level that is logged; LogFormat is json or text.
	LogLevel  slog.Level
	LogFormat string

	// TraceEndpoint is the whole URL that takes traces by OTLP over HTTP; empty
	// makes none. Headers and certificates for it come from the library's own
	// variables, OTEL_EXPORTER_OTLP_HEADERS and OTEL_EXPORTER_OTLP_CERTIFICATE.
	TraceEndpoint string
	// TraceRatio is the part of requests that is traced, from 0 to 1. A caller's
	// traceparent may say no, never make it more.
	TraceRatio float64

	// Unknown lists environment variables that look like settings and are
	// none: probably misspelt, worth a warning, but not an error, because
	// orchestrators set variables of that shape themselves.
	Unknown []string
}

// Need is a set of settings that one command cannot do without.
type Need int

// What a command is about to do.
const (
	Serving Need = iota + 1
	Migrating
	Installing
	BackingUp
)

// otherVariables are switches of the tests, of .ci/run and of the deployment.
var otherVariables = []string{"PINWRIGHT_KEEP_TEST_DB", "PINWRIGHT_LONG", "PINWRIGHT_NEED_DOCKER",
	"PINWRIGHT_IMAGE", "PINWRIGHT_POSTGRES_IMAGE", "PINWRIGHT_SECRETS", "PINWRIGHT_BIND", "PINWRIGHT_BACKUP_EVERY", "PINWRIGHT_BACKUP_WITHIN"}

// Declared is a set of settings that waits for its flags to be parsed.
type Declared struct {
	flags map[string]string // as given on the command line
	cfg   *Config
}

// Declare adds a flag for every setting that is not secret: a command line can
// be read by every user of the machine.
func Declare(fs *flag.FlagSet) *Declared {
	d := &Declared{flags: map[string]string{}, cfg: new(Config)}
	for _, s := range d.cfg.settings() {
		if s.secret {
			continue
		}
		usage := s.doc + " (" + s.variable
		if s.fallback != "" {
			usage += ", default " + s.fallback
		}
		// Only noted here and judged by Load, so that all faults are named.
		fs.Func(s.flag, usage+")", func(text string) error {
			d.flags[s.flag] = text
			return nil
		})
	}
	return d
}

// Load reads the settings after the flag set was parsed. environ is in the form
// of os.Environ. The error joins one line for every wrong setting.
func (d *Declared) Load(environ []string, needs ...Need) (Config, error) {
	env := map[string]string{}
	for _, pair := range environ {
		if name, value, ok := strings.Cut(pair, "="); ok && strings.HasPrefix(name, variablePrefix) {
			env[name] = value
		}
	}
	var faults []error
	known := slices.Clone(otherVariables)
	for _, s := range d.cfg.settings() {
		known = append(known, s.variable)
		if s.secret {
			known = append(known, s.variable+"_FILE")
		}
		text, from, err := s.lookUp(env, d.flags)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		if err := s.set(text); err != nil {
			faults = append(faults, fmt.Errorf("%s %w", from, err))
		}
	}
	for name := range env {
		if !slices.Contains(known, name) {
			d.cfg.Unknown = append(d.cfg.Unknown, name)
		}
	}
	slices.Sort(d.cfg.Unknown)
	if len(faults) == 0 { // rules between values that are no values would mislead
		faults = d.cfg.check()
	}
	faults = append(faults, d.cfg.missing(env, needs)...)
	if len(faults) > 0 {
		return Config{}, fmt.Errorf("wrong settings:\n%w", errors.Join(faults...))
	}
	return *d.cfg, nil
}

// lookUp finds a setting's text and says where it came from, for messages.
func (s setting) lookUp(env, flags map[string]string) (text, from string, err error) {
	if text, ok := flags[s.flag]; ok {
		return text, "-" + s.flag, nil
	}
	text, inVariable := env[s.variable]
	path, inFile := env[s.variable+"_FILE"]
	switch {
	case inFile && !s.secret:
		return "", "", fmt.Errorf("%s_FILE: only secrets are read from files; set %s", s.variable, s.variable)
	case inFile && inVariable:
		return "", "", fmt.Errorf("%s and %s_FILE are both set: keep one", s.variable, s.variable)
	case inFile:
		b, err := os.ReadFile(path) //nolint:gosec // a file that the operator names
		if err != nil {
			return "", "", fmt.Errorf("%s_FILE: %w", s.variable, err)
		}
		return strings.TrimRight(string(b), "\r\n"), s.variable + "_FILE", nil
	case inVariable:
		return text, s.variable, nil
	}
	return s.fallback, s.variable, nil
}

// mostLeeway bounds what clocks may differ by.
const mostLeeway = 5 * time.Minute

// check holds the rules between settings.
func (c *Config) check() []error {
	var faults []error
	mustNotExceed := func(smaller string, a time.Duration, larger string, b time.Duration, why string) {
		if a > b {
			faults = append(faults, fmt.Errorf("%s (%s) must not exceed %s (%s): %s", variableOf(smaller), a, variableOf(larger), b, why))
		}
	}
	mustNotExceed("read-header-timeout", c.ReadHeaderTimeout, "read-timeout", c.ReadTimeout, "the header is part of the request")
	mustNotExceed("pool-wait", c.PoolWait, "request-timeout", c.RequestTimeout, "a request that waits longer is over before it has its connection")
	if c.RequestTimeout >= c.WriteTimeout {
		faults = append(faults, fmt.Errorf("%s (%s) must be shorter than %s (%s): the answer that says the time is up needs time itself",
			variableOf("request-timeout"), c.RequestTimeout, variableOf("write-timeout"), c.WriteTimeout))
	}
	if c.RequestTimeout > c.ShutdownGrace {
		faults = append(faults, fmt.Errorf("%s (%s) must be at least %s (%s), or stopping cuts requests off",
			variableOf("shutdown-grace"), c.ShutdownGrace, variableOf("request-timeout"), c.RequestTimeout))
	}
	if (c.Issuer == "") != (c.Audience == "") {
		faults = append(faults, fmt.Errorf("%s and %s go together: a token for another service must not open this one", variableOf("oidc-issuer"), variableOf("oidc-audience")))
	}
	if c.Leeway > mostLeeway {
		faults = append(faults, fmt.Errorf("%s (%s) must not exceed %s: an expired token would sign people in for that long", variableOf("oidc-leeway"), c.Leeway, mostLeeway))
	}
	faults = append(faults, c.checkMail()...)
	if serve, migrate := c.ServeURL.User(), c.MigrateURL.User(); serve != "" && serve == migrate {
		faults = append(faults, fmt.Errorf("%s and %s log in as the same user %q: the serving role must not own the tables",
			variableOf("serve-url"), variableOf("migrate-url"), serve))
	}
	return faults
}

// checkMail holds the rules between the settings of mail.
func (c *Config) checkMail() []error {
	var faults []error
	if (c.SMTPUser == "") != (c.SMTPPassword.Reveal() == "") {
		faults = append(faults, fmt.Errorf("%s and %s go together", variableOf("smtp-user"), variableOf("smtp-password")))
	}
	if c.SMTPAddr == "" {
		return faults
	}
	if c.SMTPFrom == "" {
		faults = append(faults, fmt.Errorf("%s is not set: mail needs a sender, such as Fern Row <club@fern-row.example>", variableOf("smtp-from")))
	}
	if host, _, err := net.SplitHostPort(c.SMTPAddr); err == nil && c.SMTPSecurity == "none" && !onThisMachine(host) {
		faults = append(faults, fmt.Errorf("%s is none, which is for a server on this machine only: others would read members' addresses on the way", variableOf("smtp-security")))
	}
	return faults
}

// jobsRole is the role that keeps time, as the installer makes it.
const jobsRole = "pinwright_jobs"

// JobsLogin is how this process logs in to keep time: JobsURL, else ServeURL as
// that role.
func (c *Config) JobsLogin() DatabaseURL {
	if c.JobsURL.Reveal() != "" {
		return c.JobsURL
	}
	u, err := url.Parse(c.ServeURL.Reveal())
	if err != nil || c.ServeURL.Reveal() == "" {
		return DatabaseURL{}
	}
	q := u.Query()
	switch {
	case q.Has("role"): // a login that takes the role
		q.Set("role", jobsRole)
		u.RawQuery = q.Encode()
	case c.JobsPassword.Reveal() != "":
		u.User = url.UserPassword(jobsRole, c.JobsPassword.Reveal())
	default:
		u.User = url.User(jobsRole)
	}
	return DatabaseURL{NewSecret(u.String())}
}

// missing names what a command cannot do without.
func (c *Config) missing(env map[string]string, needs []Need) []error {
	var faults []error
	require := func(flag string, u DatabaseURL, example string) {
		name := variableOf(flag)
		if u.Reveal() == "" && env[name] == "" && env[name+"_FILE"] == "" { // else its fault is named already
			faults = append(faults, fmt.Errorf("%s is not set: it should be like %s", name, example))
		}
	}
	for _, need := range needs {
		switch need {
		case Serving:
			require("serve-url", c.ServeURL, "postgres://pinwright_app:…@localhost:5432/pinwright")
		case Migrating:
			require("migrate-url", c.MigrateURL, "postgres://pinwright_owner:…@localhost:5432/pinwright")
		case Installing:
			require("database-url", c.AdminURL, "postgres://postgres:…@localhost:5432/postgres")
		case BackingUp:
			require("backup-url", c.BackupURL, "postgres://pinwright_backup:…@localhost:5432/pinwright")
		}
	}
	return faults
}

// LogValue shows every setting by its variable's name, secrets masked, for the
// line that a starting process logs.
func (c Config) LogValue() slog.Value {
	var attrs []slog.Attr
	for _, s := range c.settings() {
		attrs = append(attrs, slog.String(s.variable, s.show()))
	}
	return slog.GroupValue(attrs...)
}

// String is LogValue for people, one setting a line.
func (c Config) String() string {
	var b strings.Builder
	for _, s := range c.settings() {
		fmt.Fprintf(&b, "%s=%s\n", s.variable, s.show())
	}
	return b.String()
}

// Document is the list of all settings for people, one a line.
func Document() string {
	var b strings.Builder
	for _, s := range new(Config).settings() {
		name := "-" + s.flag
		if s.secret {
			name = "or " + s.variable + "_FILE"
		}
		fmt.Fprintf(&b, "%s  (%s)\n    %s", s.variable, name, s.doc)
		if s.fallback != "" {
			fmt.Fprintf(&b, "; default %s", s.fallback)
		}
		b.WriteString("\n")
	}
	return b.String()
}
