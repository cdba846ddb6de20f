package pgcontainer

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/moby/moby/api/pkg/stdcopy"
	"github.com/moby/moby/client"
)

// session holds a container's input, whose end ends it, and collects what it says.
type session struct {
	engine engine
	id     string
	name   string // by which the server knows itself
	input  client.HijackedResponse
	done   chan struct{} // closed when the container has ended

	mu   sync.Mutex
	said bytes.Buffer
}

// attach is called between making and starting the container, so that nothing it
// says is missed and it is never without its input.
func (s *session) attach(ctx context.Context, e engine, id string) error {
	attached, err := e.client.ContainerAttach(ctx, id, client.ContainerAttachOptions{Stream: true, Stdin: true, Stdout: true, Stderr: true})
	if err != nil {
		return fmt.Errorf("hold the container's input: %w", err)
	}
	s.engine, s.id, s.input = e, id, attached.HijackedResponse
	go func() {
		defer close(s.done)
		_, _ = stdcopy.StdCopy(s, s, s.input.Reader) // ends with the container; what came is kept
	}()
	return nil
}

// Write takes what the container says.
func (s *session) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.Write(b)
}

func (s *session) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.String()
}

// awaitAnswer waits until the server answers at one of the addresses and tells
// which, and the server's version.
func (s *session) awaitAnswer(ctx context.Context, urls []string) (url, version string, err error) {
	for {
		for _, url := range urls {
			if version, err = s.ask(ctx, url); err == nil {
				return url, version, nil
			}
		}
		select {
		case <-s.done:
			return "", "", fmt.Errorf("it ended while starting (last: %w)", err)
		case <-ctx.Done():
			return "", "", fmt.Errorf("%w (last: %w)", ctx.Err(), err)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// ask is the version of the server at url, if that is ours.
func (s *session) ask(ctx context.Context, url string) (version string, err error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return "", err
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	var name string
	err = conn.QueryRow(ctx, `SELECT current_setting('cluster_name'), split_part(current_setting('server_version'), ' ', 1)`).Scan(&name, &version)
	if err == nil && name != s.name {
		err = fmt.Errorf("%s is another server", url)
	}
	return version, err
}

// logUntilNow is the server's log. It comes through the engine, so a mark is made in it
// and waited for: what was said before stands before it.
func (s *session) logUntilNow(adminURL string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, adminURL)
	if err != nil {
		return "", fmt.Errorf("mark the server's log: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // what was asked is answered
	mark := fmt.Sprintf("pgcontainer mark %d", time.Now().UnixNano())
	if _, err := conn.Exec(ctx, `DO $$BEGIN RAISE LOG '`+mark+`'; END$$`); err != nil {
		return "", fmt.Errorf("mark the server's log: %w", err)
	}
	for {
		if text := s.text(); strings.Contains(text, mark) {
			return text, nil
		}
		select {
		case <-s.done:
			return "", fmt.Errorf("the server ended; it said:\n%s", s.text())
		case <-ctx.Done():
			return "", fmt.Errorf("wait for the server's log: %w", ctx.Err())
		case <-time.After(time.Millisecond):
		}
	}
}

// keep lets the container outlive this process, under another name.
func (s *session) keep(name string) error {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if _, err := s.engine.client.ContainerRename(ctx, s.id, client.ContainerRenameOptions{NewName: name}); err != nil {
		return fmt.Errorf("keep the container: %w", err)
	}
	_, err := io.WriteString(s.input.Conn, "keep\n")
	return err
}
