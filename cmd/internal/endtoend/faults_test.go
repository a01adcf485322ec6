package endtoend

import (
	"strings"
	"syscall"
	"testing"
)

// Two coordinators share the work, and whatever happens to one of them, or
// between the programs, the fleet goes on: no record is lost or doubled, and
// nothing is on the air that was not planned.
func TestAFleetOutlivesItsCoordinators(t *testing.T) {
	t.Parallel()
	w := newWide(t, fleetText(slotSeconds))
	w.watchLeases()
	for _, beacon := range beacons {
		w.join(beacon)
	}
	eventually(t, "the first transmission in the tables", func() bool {
		return w.count("select count(*) from outcomes where kind = 'sent'") > 0
	})
	w.leaderHangs()
	w.leaderIsCutOff()
	w.sessionsAreEnded()
	w.diskIsFull()
	w.leaderIsKilled()
	begun := w.keyDowns()
	eventually(t, "a transmission after all that", func() bool { return w.keyDowns() > begun })
	w.prove()
}

// While the leader hangs, and can't give the lead back, a hush is had from the
// other coordinator and obeyed, the broker is killed, and an agent's connection
// breaks unnoticed. The other coordinator takes the lead.
func (w *wide) leaderHangs() {
	w.t.Helper()
	before := w.epoch()
	leader, other := w.leader()
	w.grpc = other.grpc
	_ = leader.running.cmd.Process.Signal(syscall.SIGSTOP)
	command(w.t, lamplighter, "hush", "--server", w.grpc, "--reason", "somebody is on the mast") // it waits for 5 s at most
	for _, beacon := range beacons {
		eventually(w.t, beacon+" is hushed", func() bool { return w.status()[beacon].State == "hushed" })
	}
	silence := w.keyDowns()
	w.mosquitto.Kill()
	w.mosquitto.Start()
	w.cables["mill-a"].leaveHalfOpen()
	w.cables["harbour-a"].set(slow)
	w.anotherLeads(before)
	if now, _ := w.leader(); now != other {
		w.t.Errorf("the %s coordinator leads, which hangs", now.name)
	}
	w.flows("while a coordinator hangs")
	eventually(w.t, "a slot is skipped because of the hush", func() bool {
		return w.count("select count(*) from outcomes where kind = 'skipped' and reason = 'hushed'") > 0
	})
	if now := w.keyDowns(); now != silence {
		w.t.Errorf("%d key-downs under the hush", now-silence)
	}
	_ = leader.running.cmd.Process.Signal(syscall.SIGCONT)
	leader.running.waitFor(`this coordinator does not lead`)
	w.cables["harbour-a"].set(whole)
	must(w.t, lamplighter, "release", "--server", leader.grpc, "--reason", "the mast is free")
}

// The leader's connections to the database break, and it is not told.
func (w *wide) leaderIsCutOff() {
	w.t.Helper()
	before := w.epoch()
	leader, _ := w.leader()
	leader.database.set(silent)
	leader.database.leaveHalfOpen()
	w.anotherLeads(before)
	w.flows("while a coordinator is cut off")
	leader.database.set(parted) // once the way is there again, the far side knows of no connection
	leader.database.set(whole)
}

// An administrator ends every session.
func (w *wide) sessionsAreEnded() {
	w.t.Helper()
	before := w.epoch()
	w.count("select count(pg_terminate_backend(pid)) from pg_stat_activity where application_name = 'lamplighter' and pid <> pg_backend_pid()")
	w.anotherLeads(before)
	w.flows("after every session was ended")
}

// The database's disk is full for a while.
func (w *wide) diskIsFull() {
	w.t.Helper()
	if !w.disk.fill() {
		w.t.Log("this machine lets us mount no disk of our own, so none is filled; the rest is tested")
		return
	}
	eventually(w.t, "a coordinator that notices", func() bool {
		for _, r := range w.coordinators {
			if strings.Contains(r.running.said.String(), "53100") { // SQLSTATE of a full disk
				return true
			}
		}
		return false
	})
	w.disk.empty()
	w.flows("with room on the disk again")
}

// The leader is killed, and started again.
func (w *wide) leaderIsKilled() {
	w.t.Helper()
	before := w.epoch()
	leader, _ := w.leader()
	leader.running.kill()
	w.anotherLeads(before)
	w.flows("after the leader was killed")
	leader.start()
}
