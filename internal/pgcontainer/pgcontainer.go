// Package pgcontainer is the step of package localpg's ladder that only tests
// have: a throw-away PostgreSQL in a container of the docker engine, for machines
// where an image is at hand and nothing else is, or when it is asked for.
//
// The image is the one that PINWRIGHT_POSTGRES_IMAGE names, else
// pinwright-postgres:local (deploy/build-images makes it), else postgres:17. When
// the container is asked for, the image may be pulled; otherwise it has to be
// there.
//
// A container ends with the process that started it, however that ends: the
// process holds the container's input open, and the container's first process
// ends the server and so itself when that is closed; the engine removes it then,
// with its volume. What the end of the engine or of the machine leaves behind is
// swept at the next start.
//
// Nothing but tests may import this package: the library behind it is none of the
// program's (package arrows holds that).
package pgcontainer

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"time"

	"github.com/containerd/errdefs"
	"github.com/moby/moby/api/types/container"
	"github.com/moby/moby/api/types/network"
	"github.com/moby/moby/client"
	"github.com/testcontainers/testcontainers-go"

	"pinwright/internal/localpg"
)

// Step is this step's name, for PINWRIGHT_POSTGRES.
const Step localpg.Step = "container"

const (
	port = "5432/tcp" // in the container

	// memoryFolder is where a container has the cluster, in memory: a database for
	// each test is many small files, which take long on some disks.
	memoryFolder = "/pinwright"

	// startWait is generous: on a loaded machine initdb alone takes seconds.
	startWait = 2 * time.Minute
)

// Rung is the step.
func Rung() *localpg.Rung { return &localpg.Rung{Step: Step, Start: start} }

// untilAlone runs the image's own entry point and waits for the end of the input,
// by which it knows that the tests are gone; with the first process the engine
// ends all others. The word keep lets the server live.
const untilAlone = `exec 3<&0
"$@" </dev/null 3<&- &
server=$!
{ read -r word <&3; [ "$word" = keep ] || kill -s KILL "$server"; } &
exec 3<&-
wait "$server"`

func start(ctx context.Context, settings map[string]string, asked bool) (localpg.Running, error) {
	ctx, cancel := context.WithTimeout(ctx, startWait)
	defer cancel()
	e, err := reachEngine(ctx)
	if err != nil {
		return localpg.Running{}, err
	}
	image, entry, err := e.chooseImage(ctx, asked)
	if err != nil {
		return localpg.Running{}, err
	}
	machine, err := os.Hostname()
	if err != nil {
		return localpg.Running{}, err
	}
	if err := e.sweep(ctx, machine, time.Now()); err != nil {
		return localpg.Running{}, err
	}
	held := &session{name: "pinwright-test-" + rand.Text(), done: make(chan struct{})}
	wanted := request(image, entry, settings, e, held)
	wanted.Labels = map[string]string{labelHost: machine, labelPID: strconv.Itoa(os.Getpid())}
	c, err := e.provider.CreateContainer(ctx, wanted)
	if err == nil {
		err = c.Start(ctx)
	}
	var running localpg.Running
	if err == nil {
		running, err = serve(ctx, c, image, e, held)
	}
	if err != nil {
		return localpg.Running{}, errors.Join(fmt.Errorf("PostgreSQL in a container of %s: %w; it said:\n%s", image, err, held.text()), e.remove(c))
	}
	return running, nil
}

// request describes the container. It is reached by this machine alone where the
// engine is on it, for its roles need no password.
func request(image string, entry []string, settings map[string]string, e engine, held *session) testcontainers.ContainerRequest {
	command := append(slices.Clone(entry), "postgres", "-c", "cluster_name="+held.name)
	for _, name := range slices.Sorted(maps.Keys(settings)) {
		command = append(command, "-c", name+"="+settings[name])
	}
	return testcontainers.ContainerRequest{
		Image:        image,
		Entrypoint:   []string{"/bin/sh", "-c", untilAlone, "until-alone"},
		Cmd:          command,
		ExposedPorts: []string{port},
		Env: map[string]string{
			"PGDATA":                    memoryFolder + "/cluster",
			"POSTGRES_HOST_AUTH_METHOD": "trust",
			"POSTGRES_INITDB_ARGS":      "--encoding=UTF8 --locale=C --no-sync",
		},
		ConfigModifier: func(c *container.Config) {
			c.OpenStdin, c.StdinOnce, c.AttachStdin = true, true, true
		},
		HostConfigModifier: func(c *container.HostConfig) {
			c.AutoRemove = true
			c.ShmSize = 256 << 20 // parallel queries share memory there
			c.Tmpfs = map[string]string{memoryFolder: "rw,mode=1777,size=4g"}
			c.SecurityOpt = []string{"no-new-privileges:true"}
			if e.local {
				c.PortBindings = network.PortMap{network.MustParsePort(port): {{HostIP: netip.MustParseAddr("127.0.0.1")}}}
			}
		},
		LifecycleHooks: []testcontainers.ContainerLifecycleHooks{{
			PostCreates: []testcontainers.ContainerHook{func(ctx context.Context, c testcontainers.Container) error {
				return held.attach(ctx, e, c.GetContainerID())
			}},
		}},
	}
}

// serve waits until the server answers.
func serve(ctx context.Context, c testcontainers.Container, image string, e engine, held *session) (localpg.Running, error) {
	urls, err := addresses(ctx, c, e)
	if err != nil {
		return localpg.Running{}, err
	}
	adminURL, version, err := held.awaitAnswer(ctx, urls)
	if err != nil {
		return localpg.Running{}, err
	}
	kept := keptPrefix + c.GetContainerID()[:12]
	return localpg.Running{
		How:      fmt.Sprintf("PostgreSQL %s in a container of %s (throw-away)", version, image),
		AdminURL: adminURL,
		Done:     held.done,
		Log:      func() (string, error) { return held.logUntilNow(adminURL) },
		Stop: func(keep bool) error {
			if keep {
				return held.keep(kept)
			}
			return e.remove(c)
		},
		LookAt: fmt.Sprintf("psql '%s'; end it afterwards with: docker rm -fv %s", adminURL, kept),
	}, nil
}

// addresses are where the server may be found. From inside another container, a
// port of the engine's machine is out of reach, but the container itself is not.
func addresses(ctx context.Context, c testcontainers.Container, e engine) ([]string, error) {
	mapped, err := c.MappedPort(ctx, port)
	if err != nil {
		return nil, err
	}
	host := "127.0.0.1"
	if !e.local {
		if host, err = c.Host(ctx); err != nil {
			return nil, err
		}
	}
	own, err := c.ContainerIP(ctx)
	if err != nil {
		return nil, err
	}
	var urls []string
	for _, at := range []string{net.JoinHostPort(host, strconv.Itoa(int(mapped.Num()))), net.JoinHostPort(own, "5432")} {
		urls = append(urls, "postgres://postgres@"+at+"/postgres?sslmode=disable")
	}
	return urls, nil
}

// remove ends a container at once, with its volume, and waits until it is gone: the
// engine may be about to remove it by itself.
func (e engine) remove(c testcontainers.Container) error {
	if c == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := c.Terminate(ctx, testcontainers.StopTimeout(0)); err != nil && !goneAlready(err) {
		return err
	}
	for {
		_, err := e.client.ContainerInspect(ctx, c.GetContainerID(), client.ContainerInspectOptions{})
		if errdefs.IsNotFound(err) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("wait until the container is gone: %w", err)
		}
		time.Sleep(10 * time.Millisecond)
	}
}
