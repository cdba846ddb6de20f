package pgcontainer

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/containerd/errdefs"
	"github.com/moby/moby/client"
	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/log"
)

// engine is the docker engine that answers.
type engine struct {
	provider *testcontainers.DockerProvider
	client   client.APIClient
	local    bool // it is on this machine
}

func reachEngine(ctx context.Context) (engine, error) {
	// Else the library would pull another image, and start a container of it to end
	// ours: they end by themselves.
	if err := os.Setenv("TESTCONTAINERS_RYUK_DISABLED", "true"); err != nil {
		return engine{}, err
	}
	log.SetDefault(log.NewNoopLogger())
	provider, err := testcontainers.NewDockerProvider()
	if err != nil {
		return engine{}, fmt.Errorf("no docker engine answers: %w", err)
	}
	if err := provider.Health(ctx); err != nil {
		return engine{}, fmt.Errorf("no docker engine answers: %w", err)
	}
	at := provider.Client().DaemonHost()
	if named := os.Getenv("DOCKER_HOST"); named != "" && named != at {
		return engine{}, fmt.Errorf("no docker engine answers at DOCKER_HOST=%s", named) // the library went on looking
	}
	return engine{provider: provider, client: provider.Client(), local: strings.HasPrefix(at, "unix:") || strings.HasPrefix(at, "npipe:")}, nil
}

// images are looked for in this order; the last is what is pulled.
func images() []string {
	if name := os.Getenv("PINWRIGHT_POSTGRES_IMAGE"); name != "" {
		return []string{name}
	}
	return []string{"pinwright-postgres:local", "postgres:17"}
}

// chooseImage finds an image and its entry point.
func (e engine) chooseImage(ctx context.Context, mayPull bool) (name string, entry []string, err error) {
	names := images()
	for _, name := range names {
		entry, err := e.entryPoint(ctx, name)
		if err == nil || !errdefs.IsNotFound(err) {
			return name, entry, err
		}
	}
	if !mayPull {
		return "", nil, fmt.Errorf("the docker engine has no image %s: make one with deploy/build-images, or name yours in PINWRIGHT_POSTGRES_IMAGE",
			strings.Join(names, " nor "))
	}
	name = names[len(names)-1]
	if err := e.provider.PullImage(ctx, name); err != nil {
		return "", nil, fmt.Errorf("pull the image %s (make one with deploy/build-images where no registry can be reached): %w", name, err)
	}
	entry, err = e.entryPoint(ctx, name)
	return name, entry, err
}

func (e engine) entryPoint(ctx context.Context, image string) ([]string, error) {
	found, err := e.client.ImageInspect(ctx, image)
	if err != nil {
		return nil, fmt.Errorf("look at the image %s: %w", image, err)
	}
	if found.Config == nil || len(found.Config.Entrypoint) == 0 {
		return nil, fmt.Errorf("the image %s has no entry point that makes a cluster", image)
	}
	return found.Config.Entrypoint, nil
}

// The labels by which a later start knows whose a container is.
const (
	labelHost = "pinwright.test.host"
	labelPID  = "pinwright.test.pid"

	// keptPrefix starts the name of a container that a person wants to look at.
	keptPrefix = "pinwright-test-kept-"

	// staleAfter is the age at which a container is nobody's, whatever process
	// has its owner's number now.
	staleAfter = 2 * time.Hour
)

// sweep removes containers whose owner on this machine, host, is gone: what a stop of the
// engine or the machine left behind.
func (e engine) sweep(ctx context.Context, host string, now time.Time) error {
	found, err := e.client.ContainerList(ctx, client.ContainerListOptions{All: true, Filters: client.Filters{}.Add("label", labelHost+"="+host)})
	if err != nil {
		return fmt.Errorf("look for containers of ended tests: %w", err)
	}
	for _, c := range found.Items {
		kept := slices.ContainsFunc(c.Names, func(name string) bool { return strings.HasPrefix(name, "/"+keptPrefix) })
		if kept || lives(c.Labels[labelPID]) && now.Sub(time.Unix(c.Created, 0)) < staleAfter {
			continue
		}
		_, err := e.client.ContainerRemove(ctx, c.ID, client.ContainerRemoveOptions{Force: true, RemoveVolumes: true})
		if err != nil && !goneAlready(err) {
			return fmt.Errorf("remove a container of ended tests: %w", err)
		}
	}
	return nil
}

// lives tells of a process on this machine, in doubt that it does.
func lives(pid string) bool {
	n, err := strconv.Atoi(pid)
	if err != nil || n <= 0 {
		return false
	}
	p, err := os.FindProcess(n)
	if err != nil {
		return true
	}
	return !errors.Is(p.Signal(syscall.Signal(0)), os.ErrProcessDone)
}

// goneAlready tells of an error that removing ended in because somebody else, or
// the engine by itself, was removing the same container.
func goneAlready(err error) bool {
	return errdefs.IsNotFound(err) || errdefs.IsConflict(err) && strings.Contains(err.Error(), "already in progress")
}
