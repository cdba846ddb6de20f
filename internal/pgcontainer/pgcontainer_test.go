package pgcontainer

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/containerd/errdefs"
	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/moby/moby/api/types/container"
	"github.com/moby/moby/client"

	"pinwright/internal/localpg"
)

// orphanSwitch makes this test binary one that holds a container until it is killed.
const orphanSwitch = "PGCONTAINER_TEST_ORPHAN"

// theEngine is the engine, where containers are asked for.
func theEngine(t *testing.T) engine {
	t.Helper()
	if os.Getenv("PINWRIGHT_POSTGRES") != string(Step) {
		t.Skip("runs with PINWRIGHT_POSTGRES=container, as .ci/run does where an engine answers")
	}
	e, err := reachEngine(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func open(t *testing.T) *localpg.Cluster {
	t.Helper()
	c, err := localpg.Open(t.Context(), localpg.Options{Only: Step, Further: Rung(), Settings: map[string]string{"max_connections": "17"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	})
	return c
}

func ask[T any](t *testing.T, url, sql string) T {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background()) //nolint:errcheck // only read from
	var value T
	if err := conn.QueryRow(t.Context(), sql).Scan(&value); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return value
}

// mine finds the container of a process, and the volume of its data.
func mine(t *testing.T, e engine, pid int) (c container.Summary, volume string) {
	t.Helper()
	found, err := e.client.ContainerList(t.Context(), client.ContainerListOptions{All: true, Filters: client.Filters{}.Add("label", labelPID+"="+strconv.Itoa(pid))})
	if err != nil {
		t.Fatal(err)
	}
	if len(found.Items) != 1 || len(found.Items[0].Mounts) != 1 || found.Items[0].Mounts[0].Name == "" {
		t.Fatalf("want one container with one volume, found %+v", found.Items)
	}
	return found.Items[0], found.Items[0].Mounts[0].Name
}

// awaitRemoval waits until container and volume are no more.
func awaitRemoval(t *testing.T, e engine, id, volume string) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		_, noContainer := e.client.ContainerInspect(t.Context(), id, client.ContainerInspectOptions{})
		_, noVolume := e.client.VolumeInspect(t.Context(), volume, client.VolumeInspectOptions{})
		if errdefs.IsNotFound(noContainer) && errdefs.IsNotFound(noVolume) {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("left after a minute: container %s (%v), volume %s (%v)", id, noContainer, volume, noVolume)
		}
	}
}

// Not parallel: it looks for the only container of this process.
func TestContainerServesAsAPrivateClusterDoesAndGoesWithItsVolume(t *testing.T) {
	e := theEngine(t)
	c := open(t)
	if c.Step() != Step || !c.Private() || !strings.Contains(c.How(), "in a container of") {
		t.Errorf("step %q, private %v, %q", c.Step(), c.Private(), c.How())
	}
	for setting, want := range map[string]string{"fsync": "off", "max_connections": "17", "TimeZone": "UTC", "server_encoding": "UTF8", "lc_collate": "C"} {
		if got := ask[string](t, c.AdminURL(), `SELECT setting FROM pg_settings WHERE name = '`+setting+`'`); got != want {
			t.Errorf("%s is %q, want %q", setting, got, want)
		}
	}
	ask[string](t, c.AdminURL(), `SELECT set_config('x.y', 'z', false)`)
	conn, err := pgx.Connect(t.Context(), c.AdminURL())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Exec(t.Context(), `CREATE ROLE reader LOGIN; CREATE EXTENSION btree_gist; CREATE EXTENSION pg_trgm`); err != nil {
		t.Error(err)
	}
	_, err = conn.Exec(t.Context(), `SELECT 1/0`)
	if log, logErr := c.ServerLog(); logErr != nil || err == nil || !strings.Contains(log, " 22012 postgres@postgres ERROR:") {
		t.Errorf("the log lacks the error of a moment ago (%v): %v\n%s", err, logErr, log)
	}
	if err := conn.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if got := ask[string](t, c.URL("reader", "postgres", nil), `SELECT session_user::text`); got != "reader" {
		t.Errorf("logs in as %s", got)
	}

	made, volume := mine(t, e, os.Getpid())
	for _, p := range made.Ports {
		if e.local && p.PublicPort != 0 && !p.IP.IsLoopback() {
			t.Errorf("reached from outside this machine, without a password, at %v", p)
		}
	}
	if err := c.Stop(); err != nil {
		t.Error(err)
	}
	awaitRemoval(t, e, made.ID, volume)
	select {
	case <-c.Done():
	case <-time.After(10 * time.Second):
		t.Error("stopped, and it does not say so")
	}
}

func TestContainerOfAKilledProcessGoesWithItsVolume(t *testing.T) {
	if os.Getenv(orphanSwitch) != "" {
		open(t)
		fmt.Println("the orphan's container is up")
		time.Sleep(5 * time.Minute)
		return
	}
	e := theEngine(t)
	cmd := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$")
	cmd.Env = append(os.Environ(), orphanSwitch+"=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // ended already when the test went well
	lines := bufio.NewScanner(out)
	for lines.Scan() && !strings.Contains(lines.Text(), "is up") {
		t.Log(lines.Text())
	}
	made, volume := mine(t, e, cmd.Process.Pid)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	awaitRemoval(t, e, made.ID, volume)
}

func TestKeptContainerServesOnAndTheSweepPassesIt(t *testing.T) {
	e := theEngine(t)
	c := open(t)
	made, volume := mine(t, e, os.Getpid())
	ask[string](t, c.AdminURL(), `SELECT setting FROM pg_settings WHERE name = 'port'`)
	if err := c.StopAndKeep(); err != nil {
		t.Fatal(err)
	}
	if err := e.sweep(t.Context(), made.Labels[labelHost], time.Now()); err != nil {
		t.Fatal(err)
	}
	if got := ask[int](t, c.AdminURL(), `SELECT 7`); got != 7 {
		t.Errorf("answers %d", got)
	}
	kept := keptPrefix + made.ID[:12]
	if !strings.Contains(c.LookAt(), c.AdminURL()) || !strings.Contains(c.LookAt(), kept) {
		t.Errorf("%q does not say how to look at it", c.LookAt())
	}
	if _, err := e.client.ContainerRemove(t.Context(), kept, client.ContainerRemoveOptions{Force: true, RemoveVolumes: true}); err != nil {
		t.Fatal(err)
	}
	awaitRemoval(t, e, made.ID, volume)
}

func TestSweepRemovesWhatNobodyOwnsAndNothingElse(t *testing.T) {
	e := theEngine(t)
	ctx := t.Context()
	image, _, err := e.chooseImage(ctx, true)
	if err != nil {
		t.Fatal(err)
	}
	dead := exec.Command(os.Args[0], "-test.run=^$")
	if err := dead.Run(); err != nil {
		t.Fatal(err)
	}
	host := "sweep-test-" + strconv.Itoa(os.Getpid())
	of := func(host string, pid int, name string) string {
		made, err := e.client.ContainerCreate(ctx, client.ContainerCreateOptions{Name: name,
			Config: &container.Config{Image: image, Labels: map[string]string{labelHost: host, labelPID: strconv.Itoa(pid)}}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			_, err := e.client.ContainerRemove(context.Background(), made.ID, client.ContainerRemoveOptions{Force: true, RemoveVolumes: true})
			if err != nil && !goneAlready(err) {
				t.Error(err)
			}
		})
		return made.ID
	}
	names := map[string]string{
		of(host, dead.Process.Pid, ""):                       "of a dead process",
		of(host, os.Getpid(), ""):                            "of a living process",
		of(host, dead.Process.Pid, keptPrefix+"sweep-"+host): "kept",
		of(host+"-other", dead.Process.Pid, ""):              "of another machine",
	}
	left := func() []string {
		var out []string
		for id, name := range names {
			if _, err := e.client.ContainerInspect(ctx, id, client.ContainerInspectOptions{}); err == nil {
				out = append(out, name)
			} else if !errdefs.IsNotFound(err) {
				t.Fatal(err)
			}
		}
		slices.Sort(out)
		return out
	}
	for _, step := range []struct {
		at   time.Time
		want []string
	}{
		{time.Now(), []string{"kept", "of a living process", "of another machine"}},
		{time.Now().Add(staleAfter + time.Minute), []string{"kept", "of another machine"}},
	} {
		if err := e.sweep(ctx, host, step.at); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(step.want, left()); diff != "" {
			t.Errorf("left by the sweep at %s (-want +got):\n%s", step.at, diff)
		}
	}
}

func TestServerThatDoesNotStartSaysWhy(t *testing.T) {
	e := theEngine(t)
	_, err := localpg.Open(t.Context(), localpg.Options{Only: Step, Further: Rung(), Settings: map[string]string{"max_connections": "many"}})
	if err == nil || !strings.Contains(err.Error(), `invalid value for parameter "max_connections"`) {
		t.Errorf("%v, want the server's own words", err)
	}
	found, err := e.client.ContainerList(t.Context(), client.ContainerListOptions{All: true, Filters: client.Filters{}.Add("label", labelPID+"="+strconv.Itoa(os.Getpid()))})
	if err != nil || len(found.Items) > 0 {
		t.Errorf("left: %+v, %v", found.Items, err)
	}
}

func TestImageThatIsNotThereIsNotPulledUnlessAsked(t *testing.T) {
	e := theEngine(t)
	t.Setenv("PINWRIGHT_POSTGRES_IMAGE", "pinwright-nothing:here")
	_, _, err := e.chooseImage(t.Context(), false)
	if err == nil || !strings.Contains(err.Error(), "no image pinwright-nothing:here: make one with deploy/build-images") {
		t.Errorf("%v, want what to do about it", err)
	}
}

// An engine that is not there must not make tests wait.
func TestNoEngineIsSaidAtOnce(t *testing.T) {
	cmd := exec.Command(os.Args[0], "-test.run=^TestReach$", "-test.v")
	cmd.Env = append(os.Environ(), "DOCKER_HOST=tcp://127.0.0.1:1", reachSwitch+"=1")
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "no docker engine answers") {
		t.Errorf("%v\n%s", err, out)
	}
}

// reachSwitch makes TestReach look for an engine; the library remembers where
// it looked first, so that it needs a process of its own.
const reachSwitch = "PGCONTAINER_TEST_REACH"

func TestReach(t *testing.T) {
	if os.Getenv(reachSwitch) == "" {
		return
	}
	_, err := Rung().Start(t.Context(), nil, false)
	t.Log(err)
}
