//go:build long

package outbox

import (
	"fmt"
	"os"
	"os/exec"
	"testing"

	"lamplighter/proto/peertest"
)

// As in volume_test.go.
const kills = 200

// changing are the calls of the kernel that change what is on a disk, or wait
// for it. A mark of interrogation: not every machine has it.
const changing = "write,pwrite64,?writev,?pwritev,ftruncate,fsync,fdatasync,?mkdir,mkdirat,?unlink,unlinkat,?rename,?renameat,?renameat2"

// A process is killed just before the first, the second, and so on of its calls
// that change anything: in a new folder each time, and in one that goes through
// all of it.
func TestKilledBeforeEveryWrite(t *testing.T) {
	strace := peertest.Find(t, "strace")
	const writes = 150
	lasting, reported, sum := t.TempDir(), 0, 0
	for n := 1; n <= writes; n++ {
		fresh := t.TempDir()
		wrote := killBefore(t, strace, fresh, n)
		accounted(t, fresh, wrote)
		sum += wrote
		reported = max(reported, killBefore(t, strace, lasting, n))
	}
	if sum == 0 || reported == 0 {
		t.Error("nothing was written")
	}
	accounted(t, lasting, reported)
	t.Logf("%d kills; %d slots in new folders, %d in the lasting one", 2*writes, sum, reported)
}

// killBefore lets a victim write until its nth call that changes anything, and
// returns the last slot that it reported.
func killBefore(t *testing.T, strace, folder string, n int) int {
	t.Helper()
	cmd := exec.Command(strace, "-f", "-qq", "-o", os.DevNull, "-e", "trace="+changing,
		"-e", fmt.Sprintf("inject=%s:signal=KILL:when=%d", changing, n), os.Args[0])
	cmd.Env = append(os.Environ(), victimFolder+"="+folder)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	last := lastReport(t, out, func() {})
	if err := cmd.Wait(); err == nil {
		t.Fatal("the victim ended by itself")
	}
	return last
}
