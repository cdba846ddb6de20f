// Package localpg finds or starts a PostgreSQL server to work on, by a ladder:
//
//  1. given: the server an administrator's URL names (PINWRIGHT_DATABASE_URL);
//  2. installed: PostgreSQL binaries of this machine, version 15 or newer;
//  3. fetched: binaries downloaded once and kept in a cache folder;
//  4. a step that the caller brings (Rung), as tests bring a container.
//
// Steps 2 and 3 start a private cluster: a server of this process alone, which
// listens on a Unix socket in a folder that only the invoking user and the
// server's own user can enter, and on no network address. PostgreSQL refuses to
// run as root, so root's clusters run as the user postgres, or nobody.
//
// A cluster is kept (Options.Dir names its folder; a later Open finds its data)
// or throw-away (its folder goes when it stops; it does not sync to disk, and may
// be in memory altogether).
//
// Nothing outlives the process that opened the cluster, however it ends. Three
// things see to that, each for the case that the ones before it cannot:
// Cluster.Stop; the kernel's parent-death signal on Linux and a shell that waits
// for the end of a pipe (the warden), which stop the server and remove its
// folders when the process was killed; and a sweep at the next Open for what is
// left after a power cut or a kill of everything at once.
//
// The package makes no roles and no databases (see package schema) and does not
// know what the server is used for.
package localpg
