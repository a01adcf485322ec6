// Package demo runs a whole network on one computer: the coordinator as it runs
// anywhere, with its own broker and a private database, and an agent for each
// beacon on goroutines of this process. Coordinator and agents meet only over
// MQTT, and the agents get their configuration from the coordinator as real
// ones do. What is simulated is simulated at the very end: the clocks and the
// transmitters.
//
// Run ends when its context does, or after a time, and takes everything down
// with it: agents first, so that their last words are still taken in.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"lamplighter/coordinator/app"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// Options are the settings of a demo.
type Options struct {
	Dir     string        // kept; empty: one that is removed at the end
	HTTP    string        // HOST:PORT
	For     time.Duration // from when the coordinator is up; 0: until the context ends
	Beacons int           // 0: the demo's own network
	Version string
	Out     io.Writer
	Lines   int // of the terminal that Out is; 0: it is none
}

// anyPort is an address on this computer alone.
const anyPort = "127.0.0.1:0"

// demo is what runs.
type demo struct {
	Options
	log         *slog.Logger
	coordinator *app.App
	upAt        time.Time
	conn        *grpc.ClientConn
	agents      *agents
}

// Run shows a network at work until ctx or the time ends.
func Run(ctx context.Context, options Options) (err error) {
	d := &demo{Options: options}
	if d.Dir == "" {
		if d.Dir, err = temporaryFolder(); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(d.Dir)) }()
	}
	closeLog, err := d.openLog()
	if err != nil {
		return err
	}
	defer closeLog()
	defer d.stop()
	if err := d.start(ctx); err != nil {
		if ctx.Err() != nil {
			return nil // it was told to end before it was up
		}
		d.say("It did not start. The end of the log:\n%s", d.endOfLog())
		return err
	}
	if d.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithCancel(ctx)
		defer cancel()
		defer time.AfterFunc(time.Until(d.upAt.Add(d.For)), cancel).Stop()
	}
	return d.show(ctx)
}

// temporaryFolder makes a folder that the database's own user may enter.
func temporaryFolder() (string, error) {
	folder, err := os.MkdirTemp("", "lamplighter-demo-")
	if err != nil {
		return "", err
	}
	return folder, os.Chmod(folder, 0o711) //nolint:gosec // entered, not read, by others
}

// openLog sends what the parts log to a file, out of the way of the table.
func (d *demo) openLog() (closeLog func(), err error) {
	if err := os.MkdirAll(d.Dir, 0o711); err != nil { //nolint:gosec // as above
		return nil, err
	}
	file, err := os.OpenFile(d.logFile(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	d.log = slog.New(slog.NewTextHandler(file, nil))
	return func() { _ = file.Close() }, nil
}

// endOfLog is the last few lines of the log.
func (d *demo) endOfLog() string {
	text, err := os.ReadFile(d.logFile())
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	return strings.Join(lines[max(0, len(lines)-8):], "\n")
}

func (d *demo) logFile() string { return filepath.Join(d.Dir, "demo.log") }

// start brings up coordinator and agents.
func (d *demo) start(ctx context.Context) (err error) {
	d.say("Starting a coordinator, its database and its broker ...")
	d.coordinator, err = app.New(app.Options{
		Open: true, Dir: filepath.Join(d.Dir, "coordinator"), GRPC: anyPort, HTTP: d.HTTP, MQTT: anyPort,
		Fleet: &app.FleetFile{Name: "demo.yaml", YAML: Fleet(d.Beacons)}, Log: d.log,
	})
	if err != nil {
		return err
	}
	if err := d.coordinator.Start(ctx); err != nil {
		return err
	}
	d.upAt = time.Now()
	d.conn, err = grpc.NewClient("passthrough:///"+d.coordinator.Addr().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	d.agents = &agents{folder: filepath.Join(d.Dir, "agents"), version: d.Version, log: d.log}
	if err := d.agents.start(ctx, apiv1.NewBeaconServiceClient(d.conn)); err != nil {
		return err
	}
	d.introduce()
	return nil
}

// stop takes everything down that start has brought up.
func (d *demo) stop() {
	if d.agents != nil {
		d.agents.stop()
	}
	if d.conn != nil {
		_ = d.conn.Close()
	}
	if d.coordinator != nil {
		d.coordinator.Stop()
	}
}

func (d *demo) say(format string, args ...any) {
	fmt.Fprintf(d.Out, format+"\n", args...) //nolint:errcheck // nobody may be watching
}

// introduce says what runs where, and how to look closer.
func (d *demo) introduce() {
	at, us := d.coordinator.Addr(), command()
	d.say(`
What runs here, all of it on this computer:
  console       http://%[2]s
  coordinator   commands at %[1]s
  broker        MQTT at %[3]s
  database      a private Postgres in %[4]s
  agents        %[5]d, one for each beacon, with simulated clocks and transmitters
  log           %[6]s

To look closer, from another window:
  export LAMPLIGHTER_SERVER=%[1]s
  %[7]s status
  %[7]s hush --site %[8]s --reason "trying it out"
  %[7]s release --site %[8]s --reason "it works"
  %[7]s fleet show
  curl http://%[2]s/metrics
`, at.GRPC, at.HTTP, at.MQTT, filepath.Join(d.Dir, "coordinator", "database"), len(d.agents.running), d.logFile(),
		us, d.agents.sites[0])
}

// command is how the person started this program.
func command() string {
	if exe, err := os.Executable(); err == nil && strings.Contains(exe, "/go-build") {
		return "go run ./cmd/lamplighter"
	}
	return "lamplighter"
}
