package schema

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// The roles of every installation. Their names are fixed because the
// migrations' grants and policies name them.
const (
	Owner  = "pinwright_owner"
	App    = "pinwright_app"
	Backup = "pinwright_backup"
	Jobs   = "pinwright_jobs"
)

// Extensions that the migrations rely on. All are trusted: an owner without
// superuser rights may create them.
var Extensions = []string{"btree_gist", "pg_trgm"}

// Passwords of the roles. An empty one leaves the role's password as it is, so
// that a second installation on a shared server does not lock the first out.
type Passwords struct {
	Owner, App, Backup, Jobs string
}

// roleSpec is what a role must be, whatever it was before.
type roleSpec struct {
	name       string
	attributes string
	settings   [][2]string
}

// roleSpecs bound every statement of the serving role, so that one bad query
// or a forgotten transaction cannot hold the others up. The owner's statements
// may take as long as a migration takes; Up bounds its waits for locks.
var roleSpecs = []roleSpec{
	{Owner, "LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS", [][2]string{
		{"timezone", "UTC"},
		{"idle_in_transaction_session_timeout", "5min"},
	}},
	{App, "LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS", [][2]string{
		{"timezone", "UTC"},
		{"statement_timeout", "10s"},
		{"lock_timeout", "3s"},
		{"idle_in_transaction_session_timeout", "15s"},
	}},
	{Backup, "LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION BYPASSRLS", [][2]string{
		{"timezone", "UTC"},
		{"default_transaction_read_only", "on"},
	}},
	{Jobs, "LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS", [][2]string{
		{"timezone", "UTC"},
		{"statement_timeout", "30s"},
		{"lock_timeout", "3s"},
		{"idle_in_transaction_session_timeout", "1min"},
	}},
}

// AppSettings are the per-role settings of the serving role, for connections
// that take the role instead of logging in as it and so do not get them.
func AppSettings() map[string]string { return settingsOf(App) }

// JobsSettings are AppSettings of the role that keeps time.
func JobsSettings() map[string]string { return settingsOf(Jobs) }

func settingsOf(role string) map[string]string {
	settings := map[string]string{}
	for _, spec := range roleSpecs {
		if spec.name == role {
			for _, s := range spec.settings {
				settings[s[0]] = s[1]
			}
		}
	}
	return settings
}

// installLock is the advisory lock that installers on one server queue on.
const installLock = 0x70696e31 // "pin1"

// Install makes or mends the roles and the database, owned by Owner, with the
// extensions. adminURL logs in as a superuser, or as a role that may create
// databases and roles and bypasses row level security, to any existing database
// (not the one to be made). It is idempotent, and safe when several installers
// run at once on one server.
func Install(ctx context.Context, adminURL, database string, passwords Passwords) error {
	admin, err := pgx.Connect(ctx, adminURL)
	if err != nil {
		return fmt.Errorf("connect as administrator: %w", err)
	}
	defer admin.Close(context.WithoutCancel(ctx)) //nolint:errcheck // each statement was answered already

	// The lock keeps installers of one maintenance database apart; those that
	// came by another one meet in the catalogue and are retried.
	if err := lockInstall(ctx, admin); err != nil {
		return err
	}
	for _, step := range []func(context.Context, *pgx.Conn) error{
		func(ctx context.Context, c *pgx.Conn) error { return makeRoles(ctx, c, passwords) },
		func(ctx context.Context, c *pgx.Conn) error { return makeDatabase(ctx, c, database) },
		func(ctx context.Context, c *pgx.Conn) error { return AllowConnect(ctx, c, database) },
	} {
		if err := retryCatalogueRace(ctx, func() error { return step(ctx, admin) }); err != nil {
			return explainInstall(err)
		}
	}
	return explainInstall(furnish(ctx, adminURL, database))
}

// lockInstall polls instead of waiting inside the server: a session that waits
// there holds a snapshot, which others' CREATE INDEX CONCURRENTLY would wait for.
func lockInstall(ctx context.Context, c *pgx.Conn) error {
	return pollLock(ctx, c, installLock)
}

func pollLock(ctx context.Context, c *pgx.Conn, key int64) error {
	for {
		var got bool
		if err := c.QueryRow(ctx, `SELECT pg_try_advisory_lock($1)`, key).Scan(&got); err != nil {
			return fmt.Errorf("take the lock of installers and migrators: %w", err)
		}
		if got {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("wait for another installer or migrator: %w", ctx.Err())
		case <-time.After(20*time.Millisecond + rand.N(20*time.Millisecond)): //nolint:gosec // jitter
		}
	}
}

func makeRoles(ctx context.Context, c *pgx.Conn, passwords Passwords) error {
	password := map[string]string{Owner: passwords.Owner, App: passwords.App, Backup: passwords.Backup, Jobs: passwords.Jobs}
	for _, spec := range roleSpecs {
		if err := makeRole(ctx, c, spec, password[spec.name]); err != nil {
			return err
		}
	}
	// Read rights on every table, now and later; with BYPASSRLS on every row.
	if err := execOnce(ctx, c, `SELECT pg_has_role('`+Backup+`', 'pg_read_all_data', 'member')`,
		`GRANT pg_read_all_data TO `+Backup); err != nil {
		return err
	}
	// An administrator who is no superuser can give a database only to a role
	// that it belongs to.
	return execOnce(ctx, c, `SELECT pg_has_role('`+Owner+`', 'member')`, `GRANT `+Owner+` TO CURRENT_USER`)
}

func makeRole(ctx context.Context, c *pgx.Conn, spec roleSpec, password string) error {
	const exists = `SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = `
	if err := execOnce(ctx, c, exists+`'`+spec.name+`')`, `CREATE ROLE `+spec.name+` `+spec.attributes); err != nil {
		return err
	}
	asWanted := exists + `'` + spec.name + `' AND rolcanlogin AND NOT rolsuper AND NOT rolcreatedb AND NOT rolcreaterole AND NOT rolreplication
		AND rolbypassrls = ` + fmt.Sprint(spec.name == Backup) + `)`
	if err := execOnce(ctx, c, asWanted, `ALTER ROLE `+spec.name+` `+spec.attributes); err != nil {
		return err
	}
	for _, s := range spec.settings {
		isSet := `SELECT EXISTS (SELECT FROM pg_db_role_setting WHERE setdatabase = 0 AND setrole = '` + spec.name + `'::regrole
			AND '` + s[0] + `=` + s[1] + `' = ANY (setconfig))`
		if err := execOnce(ctx, c, isSet, `ALTER ROLE `+spec.name+` SET `+s[0]+` = '`+s[1]+`'`); err != nil {
			return err
		}
	}
	if password == "" {
		return nil
	}
	var statement string
	if err := c.QueryRow(ctx, `SELECT format('ALTER ROLE %I PASSWORD %L', $1::text, $2::text)`, spec.name, password).Scan(&statement); err != nil {
		return err
	}
	if _, err := c.Exec(ctx, statement); err != nil {
		// The server's own message does not repeat the statement.
		return fmt.Errorf("set the password of %s: %w", spec.name, err)
	}
	return nil
}

// execOnce runs statement unless isDone already answers true, so that a second
// installation writes nothing and cannot collide with others.
func execOnce(ctx context.Context, c *pgx.Conn, isDone, statement string) error {
	var done bool
	if err := c.QueryRow(ctx, isDone).Scan(&done); err != nil {
		return fmt.Errorf("%s: %w", isDone, err)
	}
	if done {
		return nil
	}
	if _, err := c.Exec(ctx, statement); err != nil {
		return fmt.Errorf("%s: %w", statement, err)
	}
	return nil
}

// makeDatabase: UTF-8 and the C locale, like the private clusters, so that text
// sorts by its bytes everywhere.
func makeDatabase(ctx context.Context, c *pgx.Conn, database string) error {
	name := pgx.Identifier{database}.Sanitize()
	var ownerName string
	err := c.QueryRow(ctx, `SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = $1`, database).Scan(&ownerName)
	switch {
	case err == nil && ownerName == Owner:
		return nil
	case err == nil:
		if _, err := c.Exec(ctx, `ALTER DATABASE `+name+` OWNER TO `+Owner); err != nil {
			return fmt.Errorf("give the database to %s: %w", Owner, err)
		}
		return nil
	case !errors.Is(err, pgx.ErrNoRows):
		return fmt.Errorf("look for the database: %w", err)
	}
	_, err = c.Exec(ctx, `CREATE DATABASE `+name+` OWNER `+Owner+` TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C'`)
	var already *pgconn.PgError
	if errors.As(err, &already) && already.Code == "42P04" { // duplicate_database
		return nil
	}
	if err != nil {
		return fmt.Errorf("make the database: %w", err)
	}
	return nil
}

// AllowConnect opens the database to the roles and to nobody else.
// Installing does it; a database cloned from a template needs it again, because
// the rights on a database are not cloned with it.
func AllowConnect(ctx context.Context, c *pgx.Conn, database string) error {
	name := pgx.Identifier{database}.Sanitize()
	_, err := c.Exec(ctx, `REVOKE ALL ON DATABASE `+name+` FROM PUBLIC; GRANT CONNECT ON DATABASE `+name+` TO `+App+`, `+Backup+`, `+Jobs)
	if err != nil {
		return fmt.Errorf("set the rights on the database: %w", err)
	}
	return nil
}

// furnish makes the extensions inside the database, as its owner.
func furnish(ctx context.Context, adminURL, database string) error {
	cfg, err := pgx.ParseConfig(adminURL)
	if err != nil {
		return err
	}
	cfg.Database = database
	c, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return fmt.Errorf("connect to the new database: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // each statement was answered already
	if err := lockInstall(ctx, c); err != nil {
		return err
	}
	if _, err := c.Exec(ctx, `SET ROLE `+Owner); err != nil {
		return err
	}
	for _, extension := range Extensions {
		if err := execOnce(ctx, c, `SELECT EXISTS (SELECT FROM pg_extension WHERE extname = '`+extension+`')`,
			`CREATE EXTENSION `+extension+` SCHEMA public`); err != nil {
			return err
		}
	}
	// The default since version 15, but not in a database that was upgraded.
	if _, err := c.Exec(ctx, `REVOKE CREATE ON SCHEMA public FROM PUBLIC`); err != nil {
		return fmt.Errorf("close the schema public: %w", err)
	}
	return nil
}

// retryCatalogueRace repeats what failed only because another installer wrote
// the same catalogue row at the same moment.
func retryCatalogueRace(ctx context.Context, f func() error) error {
	const attempts = 20
	for attempt := 1; ; attempt++ {
		err := f()
		var pg *pgconn.PgError
		if err == nil || attempt == attempts || !errors.As(err, &pg) {
			return err
		}
		switch pg.Code {
		case "XX000", // "tuple concurrently updated"
			"23505", "42710", "42P04", // made by the other one meanwhile
			"55006", // template0 is being copied by the other one
			"40001", "40P01":
		default:
			return err
		}
		select {
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		case <-time.After(time.Duration(attempt)*10*time.Millisecond + rand.N(20*time.Millisecond)): //nolint:gosec // jitter
		}
	}
}

// explainInstall says how to mend the two failures an administrator meets.
func explainInstall(err error) error {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return err
	}
	switch pg.Code {
	case "42501": // insufficient_privilege
		return fmt.Errorf("%w\nInstall as a superuser: the backup role reads past row level security, and only a superuser "+
			"(or, from version 16, a role that has CREATEROLE, CREATEDB and BYPASSRLS itself) can make such a role", err)
	case "58P01", "0A000": // the extension's control file is missing
		return fmt.Errorf("%w\nInstall PostgreSQL's additional modules on the server's machine (Red Hat and Alpine: postgresql-contrib; "+
			"Debian and Homebrew ship them with the server)", err)
	}
	return err
}
