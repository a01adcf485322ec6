package endtoend

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"lamplighter/coordinator/store/storetest"
	"lamplighter/proto/peertest"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// A fleet that is wrong is refused whole, with all its faults at once, and the
// one in force stays.
func TestAWrongFleetFileChangesNothing(t *testing.T) {
	t.Parallel()
	n := newNetwork(t, "embedded", fleetText(slotSeconds))
	before := must(t, lamplighter, "fleet", "show", "--server", n.grpc)
	wrong := strings.NewReplacer("callsign: Q1AAA", "callsign: NOT-A-CALL", "site: mill,", "site: mil,", "share: 0.4", "shre: 0.4").Replace(fleetText(slotSeconds))
	file := write(t, n.folder, "wrong.yaml", wrong)
	for _, verb := range []string{"apply", "diff"} {
		r := command(t, lamplighter, "fleet", verb, "--server", n.grpc, file)
		if r.exit != 1 || r.stdout != "" {
			t.Errorf("fleet %s: exit %d, printed %q", verb, r.exit, r.stdout)
		}
		for _, want := range []string{"wrong.yaml:8:", "NOT-A-CALL", "wrong.yaml:10:", "mill", "wrong.yaml:11:", "share"} {
			if !strings.Contains(r.stderr, want) {
				t.Errorf("fleet %s does not say %q:\n%s", verb, want, r.stderr)
			}
		}
	}
	if after := must(t, lamplighter, "fleet", "show", "--server", n.grpc); after != before {
		t.Errorf("the fleet in force has changed:\n%s", after)
	}
}

// Garbage and forgeries, published by somebody who reached the broker, key
// nothing, lose nothing, and are told in a sentence.
func TestGarbageAndForgeriesKeyNothing(t *testing.T) {
	t.Parallel()
	n := newNetwork(t, "mosquitto", fleetText(slotSeconds))
	eventually(t, "the first transmission in the tables", func() bool {
		return n.count("select count(*) from outcomes where kind = 'sent'") > 0
	})
	must(t, lamplighter, "hush", "--server", n.grpc, "--reason", "so that any key-down is a forger's")
	silence := n.keyDowns()
	at := topic.Address{Network: "trial", Beacon: "mill-a"}
	stranger, err := seal.NewSigner(neverEnding('x'))
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range topic.Kinds() {
		n.publish(at.Topic(kind), []byte("garbage \xff\x00"))
		n.publish(at.Topic(kind), nil)
	}
	n.publish(at.Topic(topic.Orders), stranger.Seal(seal.Orders, "trial", "mill-a", []byte("x")))
	n.publish(at.Topic(topic.Hush), stranger.Seal(seal.Hush, "trial", "mill-a", nil))
	n.coordinator.waitFor(`level=WARN`)
	eventually(t, "a record of the refused orders", func() bool {
		return n.count("select count(*) from records where beacon = 'mill-a' and kind = 'event' and encode(body, 'escape') like '%key%'") > 0
	})
	eventually(t, "slots skipped because of the hush", func() bool {
		return n.count("select count(*) from outcomes where beacon = 'mill-a' and kind = 'skipped' and reason = 'hushed'") >= 2
	})
	if now := n.keyDowns(); now != silence {
		t.Errorf("%d key-downs under the hush", now-silence)
	}
	must(t, lamplighter, "release", "--server", n.grpc, "--reason", "the forger is gone")
	eventually(t, "mill-a on the air again", func() bool { return n.keyDowns() > silence })
	n.stopAgents()
	n.checkAccount()
}

type neverEnding byte

func (b neverEnding) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(b)
	}
	return len(p), nil
}

// publish speaks with the broker as any program on this machine could.
func (n *network) publish(to string, payload []byte) {
	n.t.Helper()
	args := []string{"-h", "127.0.0.1", "-p", n.mqtt[strings.LastIndex(n.mqtt, ":")+1:], "-q", "1", "-t", to}
	if len(payload) > 0 {
		args = append(args, "-s")
	} else {
		args = append(args, "-n")
	}
	cmd := exec.CommandContext(n.t.Context(), peertest.Find(n.t, "mosquitto_pub"), args...)
	cmd.Stdin = strings.NewReader(string(payload))
	if out, err := cmd.CombinedOutput(); err != nil {
		n.t.Fatalf("mosquitto_pub: %v\n%s", err, out)
	}
}

// A disk that is full at the agent silences it and loses no record; with room
// again it goes on.
func TestAFullDiskAtTheAgentSilencesItAndLosesNothing(t *testing.T) {
	t.Parallel()
	n := newNetwork(t, "embedded", fleetText(slotSeconds))
	const beacon = "hilltop-a"
	eventually(t, "the first transmission of "+beacon, func() bool {
		return n.count("select count(*) from outcomes where beacon = $1 and kind = 'sent'", beacon) > 0
	})
	if err := limitFiles(n.agents[beacon], 0); err != nil {
		t.Fatal(err)
	}
	eventually(t, beacon+" mute", func() bool { return n.status()[beacon].State == "mute" })
	before := len(n.emissions(beacon))
	missed := n.count("select count(*) from order_slots where beacon = $1 and start_at > now()", beacon)
	eventually(t, "two of its slots gone by", func() bool {
		return n.count("select count(*) from order_slots where beacon = $1 and start_at > now()", beacon) <= missed-2
	})
	if after := len(n.emissions(beacon)); after > before {
		t.Errorf("%s was keyed %d times with a full disk", beacon, after-before)
	}
	if err := limitFiles(n.agents[beacon], ^uint64(0)); err != nil {
		t.Fatal(err)
	}
	eventually(t, beacon+" on the air again", func() bool { return len(n.emissions(beacon)) > before })
	n.stopAgents()
	n.checkAccount()
}

// Whatever is wrong with the database, serve says so in one sentence, exits
// with 1, and leaves nothing running.
func TestServeSaysWhatIsWrongWithItsSurroundings(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	file := write(t, folder, "file", "in the way")
	closed := freeAddress(t)
	url := storetest.EmptyURL(t)
	for name, c := range map[string]struct {
		args []string
		exit int
		want string
	}{
		"no database there":       {[]string{"--dir", folder, "--database", "postgres://lamplighter@" + closed + "/lamplighter"}, 1, closed},
		"no such database":        {[]string{"--dir", folder, "--database", strings.Replace(url, "/testdb_", "/no_testdb_", 1)}, 1, "no_testdb_"},
		"a wrong password":        {[]string{"--dir", folder, "--database", wrongPassword(url)}, 1, "password"},
		"no address at all":       {[]string{"--dir", folder, "--database", "::"}, 1, "postgres://"},
		"a folder that is a file": {[]string{"--dir", file, "--database", url}, 1, file},
		"an open address":         {[]string{"--dir", folder, "--http", "0.0.0.0:0"}, 2, "this computer alone"},
	} {
		args := append([]string{"serve", "--open-on-loopback", "--grpc", "127.0.0.1:0", "--mqtt", "127.0.0.1:0"}, c.args...)
		if !strings.Contains(strings.Join(args, " "), "--http") {
			args = append(args, "--http", "127.0.0.1:0")
		}
		r := command(t, lamplighter, args...)
		if r.exit != c.exit || !strings.Contains(r.stderr, c.want) || r.stdout != "" {
			t.Errorf("%s: exit %d, want %d and %q\n%s", name, r.exit, c.exit, c.want, r.stderr)
		}
	}
}

func wrongPassword(url string) string {
	user, rest, _ := strings.Cut(strings.TrimPrefix(url, "postgres://"), "@")
	name, _, _ := strings.Cut(user, ":")
	return "postgres://" + name + ":wrong@" + rest
}

// Without any Postgres on the machine, serve names the package in one line.
func TestServeWithoutPostgresNamesThePackage(t *testing.T) {
	t.Parallel()
	cmd := exec.CommandContext(t.Context(), lamplighter, "serve", "--open-on-loopback", "--dir", t.TempDir(), "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0", "--mqtt", "127.0.0.1:0")
	cmd.Env = append(os.Environ(), "PGBIN="+t.TempDir(), "PATH=/nowhere")
	out, err := cmd.CombinedOutput()
	if err == nil || cmd.ProcessState.ExitCode() != 1 || !strings.Contains(string(out), "postgresql") || strings.Count(strings.TrimSpace(string(out)), "\n") > 0 {
		t.Errorf("exit %d:\n%s", cmd.ProcessState.ExitCode(), out)
	}
}
