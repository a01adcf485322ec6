package endtoend

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"lamplighter/proto/peertest"
)

// After Ctrl-C, after SIGTERM, or when its time is over, the demo leaves no
// process, socket or file behind.
func TestTheDemoTidiesUp(t *testing.T) {
	t.Parallel()
	for name, end := range map[string]os.Signal{"Ctrl-C": syscall.SIGINT, "SIGTERM": syscall.SIGTERM, "its time is over": nil} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			// Postgres's own user has to enter the folder, and t.TempDir lies too
			// deep for the path of a socket.
			folder, err := os.MkdirTemp("", "demo")
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = os.RemoveAll(folder) })
			if err := os.Chmod(folder, 0o755); err != nil { //nolint:gosec // see above
				t.Fatal(err)
			}
			args := []string{"TMPDIR=" + folder, lamplighter, "demo"}
			if end == nil {
				args = append(args, "--for", "5s")
			}
			demo := start(t, "demo", "env", args...)
			if end != nil {
				demo.waitFor(`(?i)first orders`)
				_ = demo.cmd.Process.Signal(end)
			}
			select {
			case <-demo.done:
			case <-time.After(patience):
				t.Fatalf("the demo is still there after %v", patience)
			}
			if code := demo.cmd.ProcessState.ExitCode(); code != 0 {
				t.Errorf("exit %d", code)
			}
			left, err := filepath.Glob(filepath.Join(folder, "*"))
			if err != nil || len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
			if out, err := exec.CommandContext(t.Context(), peertest.Find(t, "pgrep"), "-af", folder).CombinedOutput(); err == nil {
				t.Errorf("processes left behind:\n%s", out)
			}
		})
	}
}
