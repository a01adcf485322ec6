package endtoend

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"

	"lamplighter/coordinator/store/storetest"
)

// A network is saved while it works, its coordinator's computer is lost with all
// that happened since, and the backup is brought back on an empty one. Agents
// that knew the lost one carry on with nothing typed at a beacon: they are hushed
// until a person says so, and then they transmit, in numbers that never go back.
func TestABackupIsBroughtBackOnAnEmptyMachine(t *testing.T) {
	t.Parallel()
	n := newNetwork(t, "embedded", fleetText(slotSeconds))
	sentIn := func() int { return n.count("select count(*) from outcomes where kind = 'sent'") }
	eventually(t, "the first transmission in the tables", func() bool { return sentIn() > 0 })

	saved := filepath.Join(n.folder, "saved")
	dir := filepath.Join(n.folder, "coordinator")
	before := sentIn()
	must(t, lamplighter, "backup", "--dir", dir, "--database", n.database, saved)
	after, epoch := sentIn(), n.count("select epoch from leadership")
	if r := command(t, lamplighter, "backup", "--dir", dir, "--database", n.database, saved); r.exit == 0 || !strings.Contains(r.stderr, "there already") {
		t.Errorf("a backup was written over: exit %d, %s", r.exit, r.stderr)
	}
	for _, file := range []string{"about.json", "vault.key", "database.dump"} {
		if info, err := os.Stat(filepath.Join(saved, file)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, mode %v", file, err, info)
		}
	}
	eventually(t, "transmissions that the backup does not know", func() bool { return sentIn() > after })

	n.coordinator.kill()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if r := command(t, lamplighter, "restore", "--dir", dir, "--database", n.database, saved); r.exit == 0 || !strings.Contains(r.stderr, "empty") {
		t.Errorf("a backup was brought back over what was there: exit %d, %s", r.exit, r.stderr)
	}
	n.database = storetest.EmptyURL(t)
	rows, err := pgxpool.New(t.Context(), n.database)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(rows.Close)
	n.rows = rows
	must(t, lamplighter, "restore", "--dir", dir, "--database", n.database, saved)
	if sentIn() < before {
		t.Errorf("%d transmissions of %d came back", sentIn(), before)
	}

	n.startCoordinator()
	for _, beacon := range beacons {
		n.agents[beacon].waitFor(`hush_accepted.*restored from the backup`) // each comes back when it tries again
	}
	silence := n.keyDowns()
	eventually(t, "slots skipped under the hush", func() bool {
		return n.count("select count(*) from outcomes where kind = 'skipped' and reason = 'hushed'") >= 2
	})
	if now := n.keyDowns(); now != silence {
		t.Errorf("%d key-downs under the hush", now-silence)
	}
	must(t, lamplighter, "release", "--server", n.grpc, "--reason", "all have answered")
	eventually(t, "a transmission after the release", func() bool { return n.keyDowns() > silence })
	if now := n.count("select epoch from leadership"); now <= epoch {
		t.Errorf("epoch %d after %d: agents would take no more orders", now, epoch)
	}
	known := sentIn()
	eventually(t, "transmissions after the restore in the tables", func() bool { return sentIn() > known+2 })
	for what, query := range map[string]string{
		"records that are there twice": `select count(*) from (select from records group by beacon, boot, seq having count(*) > 1) twice`,
		"slots with two outcomes":      `select count(*) from (select from outcomes group by beacon, slot having count(*) > 1) twice`,
	} {
		if count := n.count(query); count > 0 {
			t.Errorf("%d %s", count, what)
		}
	}
}
