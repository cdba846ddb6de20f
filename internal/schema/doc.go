// Package schema brings a database to the shape the service needs.
//
// It has two halves for two logins. Install, run by an administrator, makes the
// database and the four roles that everything else relies on:
//
//   - pinwright_owner owns the database and migrates it;
//   - pinwright_app serves requests: it owns nothing, cannot create anything and
//     is bound by row level security; the migrations grant it table by table
//     what it needs;
//   - pinwright_backup reads everything, past row level security, and writes
//     nothing;
//   - pinwright_jobs keeps the queue of work that comes by the clock, in a schema
//     of its own, and sees no row of any club.
//
// Up, Down and GetVersion, run by the owner, apply numbered files such as
// 0001_club.up.sql and 0001_club.down.sql. Roles are shared by all databases of
// a server, so they are never made by a migration.
//
// The package knows nothing of what the tables mean.
package schema
