//go:build long

package endtoend

import (
	"os/exec"
	"path/filepath"
	"testing"
)

// former are the commits at which the protocol was published: what speaks it may
// be in the field. Each with the flags that open its coordinator to this
// computer, and whether it takes hushes only while it leads.
var former = map[string]struct {
	commit  string
	access  []string
	leading bool
}{
	"first published":  {"aa256e5", nil, true},
	"second published": {"18dd5e0", []string{"--open-on-loopback"}, false},
}

// formerFleet is a network that the former programs understand too.
const formerFleet = `
network: {name: Trial Valley, id: trial, slot_seconds: 6}
sites:
  - {name: hilltop, locator: IP62oa}
  - {name: mill, locator: IP53bb}
  - {name: harbour, locator: IP71aa, transmitters_at_once: 2}
beacons:
  - {name: hilltop-a, callsign: Q1AAA, site: hilltop, control: automatic, power_dbm: 23, share: 0.3, uncertainty_ppm: 0.05, shared: [mast], licence: {max_power_dbm: 30}, bands: [40m, 20m]}
  - {name: hilltop-b, callsign: Q1BBB, site: hilltop, control: automatic, power_dbm: 23, share: 0.3, uncertainty_ppm: 0.05, shared: [mast], licence: {max_power_dbm: 30}, bands: [40m, 20m]}
  - {name: mill-a, callsign: Q2CCC, site: mill, control: remote, announce: 6, power_dbm: 30, share: 0.3, uncertainty_ppm: 0.05, licence: {max_power_dbm: 30}, bands: [30m]}
  - {name: harbour-a, callsign: QX9/Q1DDD, site: harbour, control: automatic, announce: 6, power_dbm: 37, share: 0.4, uncertainty_ppm: 0.05, licence: {max_power_dbm: 40}, bands: [40m, 10m]}
`

// built are the programs of a commit, made from the history of this repository.
func built(t *testing.T, commit string) (operator, agent string) {
	t.Helper()
	folder := t.TempDir()
	shell := func(line string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "bash", "-o", "pipefail", "-c", line)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", line, err, out)
		}
	}
	if exec.CommandContext(t.Context(), "git", "cat-file", "-e", commit+"^{commit}").Run() != nil {
		t.Skipf("the history of this repository does not reach back to %s: clone it whole", commit)
	}
	shell("git -C ../../.. archive " + commit + " | tar -x -C " + folder)
	programs := filepath.Join(folder, "programs")
	shell("cd " + folder + " && go build -o " + programs + "/ ./cmd/lamplighter ./cmd/lamplighter-agent")
	return filepath.Join(programs, "lamplighter"), filepath.Join(programs, "lamplighter-agent")
}

// A network is brought from a former release to this one, a program at a time,
// and goes on all the while: with the old and the new coordinator side by side,
// each of them leading, and with old and new agents under each. A hush is had
// from every coordinator that may give one, and obeyed by every agent. No record is lost or
// doubled, and nothing is on the air that was not planned.
func TestAFleetGoesOnThroughAnUpgrade(t *testing.T) {
	for name, release := range former {
		t.Run(name, func(t *testing.T) {
			operator, agent := built(t, release.commit)
			w := layWide(t)
			w.operator, w.beaconAgent = operator, agent
			for _, name := range []string{"first", "second"} {
				r := w.add(name)
				r.access, r.needsLead = release.access, release.leading
				r.start()
			}
			must(t, operator, "fleet", "apply", "--server", w.coordinators[1].grpc, write(t, w.folder, "fleet.yaml", formerFleet))
			for _, beacon := range beacons {
				w.join(beacon)
			}
			first, second := w.coordinators[0], w.coordinators[1]
			w.watchLeases()
			w.goesOn("with the former programs")

			second.upgrade()
			w.leads(first)
			w.goesOn("under the former coordinator, with the new one beside it")
			w.hushes("with former agents", first, second)
			w.leads(second)
			w.goesOn("under the new coordinator, with the former one beside it")
			w.hushes("with former agents", second, first)

			w.beaconAgent = lamplighterAgent
			for _, beacon := range beacons[:2] {
				w.agents[beacon].stop()
				w.startAgent(beacon)
			}
			w.goesOn("with new agents too")
			w.leads(first)
			w.goesOn("under the former coordinator, with new agents too")
			w.hushes("with former and new agents", first, second)

			first.upgrade()
			w.goesOn("with new coordinators, and former agents too")
			w.hushes("with new coordinators, and former agents too", first, second)
			for _, beacon := range beacons[2:] {
				w.agents[beacon].stop()
				w.startAgent(beacon)
			}
			w.operator = lamplighter
			w.goesOn("with the new programs")
			w.prove()
		})
	}
}

// upgrade ends the program and starts the new one in its place.
func (r *replica) upgrade() {
	r.of.t.Helper()
	r.running.stop()
	r.takeKeys()
	r.program, r.access, r.needsLead = lamplighter, []string{"--open-on-loopback"}, false
	r.start()
}

// leads makes a coordinator lead: the other is cut off until it does.
func (w *wide) leads(wanted *replica) {
	w.t.Helper()
	eventually(w.t, "the "+wanted.name+" coordinator leads", func() bool {
		leader, _ := w.leader()
		if leader != wanted {
			before := w.epoch()
			leader.database.set(parted)
			w.anotherLeads(before)
			leader.database.set(whole)
		}
		return leader == wanted
	})
}

// goesOn waits until each beacon has been on the air, under a lease of whoever
// leads now, and that is in the tables.
func (w *wide) goesOn(how string) {
	w.t.Helper()
	epoch := w.epoch()
	was := map[string]int{}
	for _, beacon := range beacons {
		was[beacon] = w.count("select coalesce(max(slot), 0) from outcomes where beacon = $1 and kind = 'sent'", beacon)
	}
	for _, beacon := range beacons {
		eventually(w.t, beacon+" goes on "+how, func() bool {
			return w.count("select count(*) from outcomes where beacon = $1 and kind = 'sent' and slot > $2", beacon, was[beacon]) > 0 &&
				w.count("select count(*) from orders where beacon = $1 and epoch = $2 and confirmed_at is not null", beacon, epoch) > 0
		})
	}
	w.t.Logf("it goes on %s", how)
}

// hushes has silence from each coordinator, and has it end.
func (w *wide) hushes(how string, by ...*replica) {
	w.t.Helper()
	leader, _ := w.leader()
	for _, r := range by {
		if r.needsLead && r != leader {
			continue
		}
		if out := command(w.t, r.program, "hush", "--server", r.grpc, "--reason", "a trial"); out.exit != 0 {
			w.t.Errorf("a hush by the %s coordinator %s: exit %d\n%s%s", r.name, how, out.exit, out.stdout, out.stderr)
		}
		silence := w.keyDowns()
		until := w.count("select coalesce(max(slot), 0) from order_slots where start_at < now()")
		eventually(w.t, "slots gone by under the hush", func() bool {
			return w.count("select count(distinct slot) from order_slots where start_at < now() and slot > $1", until) >= 2
		})
		if now := w.keyDowns(); now != silence {
			w.t.Errorf("%d key-downs under a hush by the %s coordinator %s", now-silence, r.name, how)
		}
		must(w.t, r.program, "release", "--server", r.grpc, "--reason", "the trial is over")
	}
}
