package config

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/mail"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
)

const variablePrefix = "PINWRIGHT_"

// setting ties a field of Config to its flag, variable and text form.
type setting struct {
	flag, variable, fallback, doc string
	secret                        bool
	set                           func(text string) error
	show                          func() string
}

// variableOf is the environment variable of a flag: pool-size is
// PINWRIGHT_POOL_SIZE.
func variableOf(flag string) string {
	return variablePrefix + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// settings is the table of all settings, tied to the fields of c.
func (c *Config) settings() []setting {
	return []setting{
		text(&c.Addr, "addr", "127.0.0.1:8080", "address to serve on, host:port; port 0 takes a free one", checkAddr),
		text(&c.MetricsAddr, "metrics-addr", "", "address for /metrics alone, host:port, reachable for the collector of figures only; empty: beside the API", checkOptionalAddr),
		text(&c.PublicURL, "public-url", "", "how clients reach the service, for links; empty: the address served on", checkPublicURL),
		text(&c.Issuer, "oidc-issuer", "", "OpenID Connect issuer whose tokens sign people in, as in their claim iss; empty: none", checkIssuer),
		text(&c.Audience, "oidc-audience", "", "what must stand in the claim aud of its tokens", nil),
		delay(&c.Leeway, "oidc-leeway", "1m", "how far its clock and ours may differ"),
		databaseURL(&c.ServeURL, "serve-url", "database as the serving role"),
		databaseURL(&c.MigrateURL, "migrate-url", "database as the owning role"),
		databaseURL(&c.BackupURL, "backup-url", "database as the backup role; to back up and to verify"),
		databaseURL(&c.JobsURL, "jobs-database-url", "database as the role that keeps time; empty: as serve-url, with that role and jobs-password"),
		text(&c.Jobs, "jobs", "on", "on or off: whether this process does what comes by the clock, such as reminders; some process should", oneOf("on", "off")),
		databaseURL(&c.AdminURL, "database-url", "server as an administrator; to install, and for demo and tests instead of a private cluster"),
		password(&c.OwnerPassword, "owner-password", "password that installing gives the owning role"),
		password(&c.AppPassword, "app-password", "password that installing gives the serving role"),
		password(&c.BackupPassword, "backup-password", "password that installing gives the backup role"),
		password(&c.JobsPassword, "jobs-password", "password that installing gives the role that keeps time, and that it logs in with where jobs-database-url is empty"),
		text(&c.SMTPAddr, "smtp-addr", "", "server that takes mail for submission, host:port; empty: nothing is mailed", checkOptionalAddr),
		text(&c.SMTPSecurity, "smtp-security", "starttls", "starttls, tls from the first byte, or none for a server on this machine", oneOf("starttls", "tls", "none")),
		text(&c.SMTPUser, "smtp-user", "", "login at that server; empty: none", nil),
		password(&c.SMTPPassword, "smtp-password", "password of that login"),
		text(&c.SMTPFrom, "smtp-from", "", "sender of mail, such as Fern Row <club@fern-row.example>", checkSender),
		duration(&c.SMTPTimeout, "smtp-timeout", "30s", "time of each step of handing a message over"),
		text(&c.PostgresStep, "postgres", "", "only way the demo and tests may find a server: given, installed or fetched; empty: all in turn",
			oneOf("", "given", "installed", "fetched")),
		text(&c.DataDir, "data-dir", "", "folder of the demo's private cluster; empty: one of the invoking user's", nil),
		number(&c.PoolSize, "pool-size", "4", "most connections to the database", 1, 1000),
		duration(&c.PoolWait, "pool-wait", "3s", "how long a request waits for a connection"),
		number(&c.PoolQueue, "pool-queue", "64", "most requests that wait for a connection; more are told at once to come back", 1, 100_000),
		number(&c.RateLimit, "rate-limit", "25", "requests a second of one token, or of one address without; 0: no limit", 0, 100_000),
		number(&c.RateBurst, "rate-burst", "500", "requests at once, before that limit holds", 1, 1_000_000),
		networks(&c.TrustedProxies, "trusted-proxies", "networks whose X-Forwarded-For is believed, such as 10.0.0.0/8,::1/128; empty: none"),
		duration(&c.ReadHeaderTimeout, "read-header-timeout", "5s", "time to read a request's header"),
		duration(&c.ReadTimeout, "read-timeout", "15s", "time to read a whole request"),
		duration(&c.WriteTimeout, "write-timeout", "30s", "time from the end of a request's header to the end of its answer"),
		duration(&c.IdleTimeout, "idle-timeout", "60s", "time an idle connection is kept"),
		duration(&c.RequestTimeout, "request-timeout", "12s", "time to work on one request"),
		duration(&c.UploadTimeout, "upload-timeout", "60s", "time a photo has to come in, in place of read-timeout"),
		delay(&c.DrainDelay, "drain-delay", "0s", "how long a stopping process serves on while it reports not ready"),
		duration(&c.ShutdownGrace, "shutdown-grace", "20s", "time requests have to finish after that"),
		size(&c.MaxBody, "max-body", "1MiB", "largest request body", maxBody),
		size(&c.MaxHeader, "max-header", "32KiB", "largest request header", maxBody),
		duration(&c.HeadsEvery, "heads-every", "1m", "how often the heads of journals written to are logged"),
		text(&c.HeadsFile, "heads-file", "", "file that they are appended to as well, for pinwright verify -heads; empty: none", nil),
		size(&c.PhotoSpace, "photo-space", "1GiB", "what the photos of one club may take in the database", maxSpace),
		size(&c.PhotoMemory, "photo-memory", "256MiB", "what photos being decoded may take in memory together; a larger one is refused", maxSpace),
		level(&c.LogLevel, "log-level", "info", "least level logged: debug, info, warn or error"),
		text(&c.LogFormat, "log-format", "json", "json or text", oneOf("json", "text")),
		text(&c.TraceEndpoint, "trace-endpoint", "", "URL that takes traces by OTLP over HTTP, such as http://127.0.0.1:4318/v1/traces; empty: no traces", checkTraceEndpoint),
		ratio(&c.TraceRatio, "trace-ratio", "1", "part of the requests that is traced, from 0 to 1"),
	}
}

func text(field *string, flag, fallback, doc string, check func(string) error) setting {
	return setting{flag: flag, variable: variableOf(flag), fallback: fallback, doc: doc,
		set: func(t string) error {
			if check != nil {
				if err := check(t); err != nil {
					return err
				}
			}
			*field = t
			return nil
		},
		show: func() string { return *field }}
}

func databaseURL(field *DatabaseURL, flag, doc string) setting {
	return setting{flag: flag, variable: variableOf(flag), doc: doc, secret: true,
		set: func(t string) error {
			u, err := ParseDatabaseURL(t)
			if err == nil {
				*field = u
			}
			return err
		},
		show: func() string { return field.String() }}
}

func password(field *Secret, flag, doc string) setting {
	return setting{flag: flag, variable: variableOf(flag), doc: doc, secret: true,
		set: func(t string) error {
			*field = NewSecret(t)
			return nil
		},
		show: func() string { return field.String() }}
}

func number(field *int, flag, fallback, doc string, least, most int) setting {
	return setting{flag: flag, variable: variableOf(flag), fallback: fallback, doc: doc,
		set: func(t string) error {
			n, err := strconv.Atoi(t)
			if err != nil || n < least || n > most {
				return fmt.Errorf("is %q: it should be a whole number from %d to %d", t, least, most)
			}
			*field = n
			return nil
		},
		show: func() string { return strconv.Itoa(*field) }}
}

func ratio(field *float64, flag, fallback, doc string) setting {
	return setting{flag: flag, variable: variableOf(flag), fallback: fallback, doc: doc,
		set: func(t string) error {
			r, err := strconv.ParseFloat(t, 64)
			if err != nil || !(r >= 0 && r <= 1) {
				return fmt.Errorf("is %q: it should be a number from 0 to 1, such as 0.1", t)
			}
			*field = r
			return nil
		},
		show: func() string { return strconv.FormatFloat(*field, 'g', -1, 64) }}
}

// duration is a length of time above zero: in Go's servers zero means forever,
// and nothing of ours should wait forever.
func duration(field *time.Duration, flag, fallback, doc string) setting {
	s := delay(field, flag, fallback, doc)
	s.set = func(t string) error {
		d, err := time.ParseDuration(t)
		if err != nil || d <= 0 {
			return fmt.Errorf("is %q: it should be a time above 0 with its unit, such as 1500ms or 2m", t)
		}
		*field = d
		return nil
	}
	return s
}

func delay(field *time.Duration, flag, fallback, doc string) setting {
	return setting{flag: flag, variable: variableOf(flag), fallback: fallback, doc: doc,
		set: func(t string) error {
			d, err := time.ParseDuration(t)
			if err != nil || d < 0 {
				return fmt.Errorf("is %q: it should be 0s or a time with its unit, such as 1500ms or 2m", t)
			}
			*field = d
			return nil
		},
		show: func() string { return field.String() }}
}

func networks(field *[]netip.Prefix, flag, doc string) setting {
	return setting{flag: flag, variable: variableOf(flag), doc: doc,
		set: func(t string) error {
			*field = nil
			for _, one := range strings.Split(t, ",") {
				one = strings.TrimSpace(one)
				if one == "" {
					continue
				}
				p, err := netip.ParsePrefix(one)
				if err != nil || p != p.Masked() {
					return fmt.Errorf("is %q: %q should be a network such as 10.0.0.0/8, or one address as 192.0.2.1/32", t, one)
				}
				*field = append(*field, p)
			}
			return nil
		},
		show: func() string {
			list := make([]string, len(*field))
			for i, p := range *field {
				list[i] = p.String()
			}
			return strings.Join(list, ",")
		}}
}

// A slip of the unit must not open the service to any body, nor its disk to
// any photo.
const (
	maxBody  = 1 << 30
	maxSpace = 1 << 40
)

func size(field *int64, flag, fallback, doc string, most int64) setting {
	return setting{flag: flag, variable: variableOf(flag), fallback: fallback, doc: doc,
		set: func(t string) error {
			n, err := parseSize(t, most)
			if err != nil {
				return fmt.Errorf("is %q: %w", t, err)
			}
			*field = n
			return nil
		},
		show: func() string { return strconv.FormatInt(*field, 10) }}
}

func parseSize(t string, most int64) (int64, error) {
	unit := int64(1)
	digits := t
	for _, u := range []struct {
		name  string
		bytes int64
	}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"B", 1}} {
		if rest, ok := strings.CutSuffix(t, u.name); ok {
			digits, unit = rest, u.bytes
			break
		}
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil || n < 1 || n > most/unit {
		return 0, fmt.Errorf("it should be a number of bytes from 1 to %dGiB, such as 65536, 64KiB or 2MiB", most>>30)
	}
	return n * unit, nil
}

func level(field *slog.Level, flag, fallback, doc string) setting {
	return setting{flag: flag, variable: variableOf(flag), fallback: fallback, doc: doc,
		set: func(t string) error {
			if err := oneOf("debug", "info", "warn", "error")(t); err != nil {
				return err
			}
			return field.UnmarshalText([]byte(t))
		},
		show: func() string { return strings.ToLower(field.String()) }}
}

func oneOf(allowed ...string) func(string) error {
	return func(t string) error {
		var names []string
		for _, a := range allowed {
			if t == a {
				return nil
			}
			if a == "" {
				a = "empty"
			}
			names = append(names, a)
		}
		return fmt.Errorf("is %q: it should be one of %s", t, strings.Join(names, ", "))
	}
}

func checkAddr(t string) error {
	_, port, err := net.SplitHostPort(t)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		return fmt.Errorf("is %q: it should be host:port, such as 127.0.0.1:8080, or :8080 for every address of the machine", t)
	}
	return nil
}

func checkOptionalAddr(t string) error {
	if t == "" {
		return nil
	}
	return checkAddr(t)
}

// checkTraceEndpoint refuses a password in the URL, which would be logged.
func checkTraceEndpoint(t string) error {
	if t == "" {
		return nil
	}
	u, err := url.Parse(t)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || u.Path == "" {
		return errors.New("should be like http://127.0.0.1:4318/v1/traces, with its path and without a user (its text is not shown, for it may hold a password)")
	}
	return nil
}

func checkPublicURL(t string) error {
	if t == "" {
		return nil
	}
	u, err := url.Parse(t)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || strings.HasSuffix(t, "/") {
		return fmt.Errorf("is %q: it should be like https://garage.example, without a slash at its end", t)
	}
	return nil
}

func checkSender(t string) error {
	if t == "" {
		return nil
	}
	if _, err := mail.ParseAddress(t); err != nil {
		return fmt.Errorf("is %q: it should be an address such as club@fern-row.example, or with a name, Fern Row <club@fern-row.example>", t)
	}
	return nil
}

// checkIssuer takes https only, but on the machine itself: whoever can change
// the issuer's keys on their way can sign in as anybody.
func checkIssuer(t string) error {
	if t == "" {
		return nil
	}
	u, err := url.Parse(t)
	if err != nil || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || u.Scheme != "https" && (u.Scheme != "http" || !onThisMachine(u.Hostname())) {
		return fmt.Errorf("is %q: it should be an https URL without query, exactly as in the issuer's tokens", t)
	}
	return nil
}

func onThisMachine(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
