package database

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

// parentFolder, when set, makes this program a parent that only runs a server.
const parentFolder = "DATABASE_TEST_PARENT_FOLDER"

func TestMain(m *testing.M) {
	if folder := os.Getenv(parentFolder); folder != "" {
		server, err := Start(context.Background(), Options{Dir: folder, Disposable: true})
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println(server.Process())
		select {} // until killed
	}
	goleak.VerifyTestMain(m)
}

// place is a folder that the server's user can enter, gone after the test.
func place(t *testing.T) string {
	folder, err := os.MkdirTemp("", "lamplighter-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(folder); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	return folder
}

func start(t *testing.T, options Options) *Server {
	t.Helper()
	server, err := Start(t.Context(), options)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := server.Stop(); err != nil {
			t.Error(err)
		}
	})
	return server
}

func execute(t *testing.T, url, statement string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if _, err := conn.Exec(t.Context(), statement); err != nil {
		t.Fatal(err)
	}
}

// gone waits until a process, ours or not, has ended.
func gone(t *testing.T, descriptor int) {
	t.Helper()
	events := []unix.PollFd{{Fd: int32(descriptor), Events: unix.POLLIN}}
	for {
		n, err := unix.Poll(events, 20_000)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil || n != 1 {
			t.Fatalf("the process is still there after 20 s: %v", err)
		}
		return
	}
}

func watch(t *testing.T, process int) int {
	t.Helper()
	descriptor, err := unix.PidfdOpen(process, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Close(descriptor) })
	return descriptor
}

func TestADatabaseIsMadeUsedAgainAndLeavesNothing(t *testing.T) {
	folder := place(t)
	first, err := Start(t.Context(), Options{Dir: folder})
	if err != nil {
		t.Fatal(err)
	}
	if first.TCPURL() != "" {
		t.Error("it listens on TCP and nobody asked for it")
	}
	execute(t, first.URL(), "create table kept (x int)")
	process := watch(t, first.Process())
	if err := first.Stop(); err != nil {
		t.Fatal(err)
	}
	gone(t, process)
	if left, _ := os.ReadDir(filepath.Join(folder, "socket")); len(left) != 0 {
		t.Errorf("left in the socket folder: %v", left)
	}
	second := start(t, Options{Dir: folder, TCP: true})
	execute(t, second.URL(), "insert into kept values (1)")
	execute(t, second.TCPURL(), "insert into kept values (2)")
	if _, err := pgx.Connect(t.Context(), strings.Replace(second.TCPURL(), second.folder.password, "guess", 1)); err == nil {
		t.Error("a wrong password was let in over TCP")
	}
}

func TestNothingIsLeftOfAParentThatWasKilled(t *testing.T) {
	folder := place(t)
	parent := exec.Command(os.Args[0])
	parent.Env = append(os.Environ(), parentFolder+"="+folder)
	output, err := parent.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := parent.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(output).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	id, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil {
		_ = parent.Process.Kill()
		t.Fatalf("the parent says %q", line)
	}
	process := watch(t, id)
	if err := parent.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = parent.Wait() // "killed" is what it is to say
	// A new one in the same folder waits for the old one to be gone.
	start(t, Options{Dir: folder, Disposable: true})
	gone(t, process)
	if left := members(t, id); len(left) != 0 {
		t.Errorf("of process group %d these are left: %v", id, left)
	}
}

// members lists the processes of a group that have not ended. (One that has may
// still be listed by the kernel until whoever adopted it looks.)
func members(t *testing.T, group int) (alive []string) {
	t.Helper()
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			continue // ended meanwhile
		}
		// proc(5): pid (comm) state ppid pgrp; comm may hold anything.
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if fields[0] != "Z" && fields[2] == strconv.Itoa(group) {
			alive = append(alive, string(text))
		}
	}
	return alive
}

func TestAServerThatIsKilledComesBack(t *testing.T) {
	server := start(t, Options{Dir: place(t)})
	execute(t, server.URL(), "create table kept (x int)")
	before := server.Process()
	if err := syscall.Kill(before, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for server.ask(ctx, databaseName, "insert into kept values (1)") != nil {
		if ctx.Err() != nil {
			t.Fatal("it did not come back in 30 s")
		}
		pause(ctx, askAgain)
	}
	if server.Process() == before {
		t.Error("the process is the one that was killed")
	}
}

func TestALockFileOfAnotherProgramIsNoHindrance(t *testing.T) {
	folder := place(t)
	server, err := Start(t.Context(), Options{Dir: folder, Disposable: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Stop(); err != nil {
		t.Fatal(err)
	}
	// As after a power cut, when the number went to another process: this one.
	stale := fmt.Sprintf("%d\n%s\n", os.Getpid(), server.folder.data)
	if err := os.WriteFile(server.folder.lockFile(), []byte(stale), 0o600); err != nil {
		t.Fatal(err)
	}
	start(t, Options{Dir: folder, Disposable: true})
}

func TestASecondServerInTheSameFolderIsRefused(t *testing.T) {
	first := start(t, Options{Dir: place(t), Disposable: true})
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // it need not wait for the first to end
	err := first.folder.awaitRelease(ctx)
	if err == nil || !strings.Contains(err.Error(), "already runs") {
		t.Errorf("got %v", err)
	}
}

func TestALongPathStillGetsASocket(t *testing.T) {
	folder := filepath.Join(place(t), strings.Repeat("long", 25))
	server, err := Start(t.Context(), Options{Dir: folder, Disposable: true})
	if err != nil {
		t.Fatal(err)
	}
	socket := server.folder.socket
	execute(t, server.URL(), "select 1")
	if err := server.Stop(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is left: %v", socket, err)
	}
}

func TestWhatIsWrongIsSaid(t *testing.T) {
	closed := filepath.Join(place(t), "closed")
	if err := os.Mkdir(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	stranger := account{"user postgres", &syscall.Credential{Uid: 54321, Gid: 54321}}
	t.Setenv("PGBIN", closed)
	_, pgbinErr := find("")
	_, givenErr := find(closed)
	t.Setenv("PGBIN", "")
	t.Setenv("PATH", closed)
	for name, c := range map[string]struct {
		err  error
		want string
	}{
		"a folder that its user can't enter": {stranger.checkWay(closed), "cannot enter " + closed + " (mode 0700)"},
		"a given folder without Postgres":    {givenErr, "the given folder"},
		"a PGBIN without Postgres":           {pgbinErr, "PGBIN"},
		"no Postgres at all":                 {errMissing, "install the package postgresql"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%s: got %v", name, c.err)
		}
	}
}

func TestTheNewestVersionIsTaken(t *testing.T) {
	root := t.TempDir()
	for version, programs := range map[string][]string{
		"9.6": {"initdb", "postgres"}, "15": {"initdb", "postgres"}, "16": {"postgres"}, "old": {"initdb", "postgres"},
	} {
		bin := filepath.Join(root, version, "bin")
		if err := os.MkdirAll(bin, 0o755); err != nil {
			t.Fatal(err)
		}
		for _, program := range programs {
			if err := os.WriteFile(filepath.Join(bin, program), []byte("#!/bin/sh\n"), 0o755); err != nil {
				t.Fatal(err)
			}
		}
	}
	if got, want := newest(filepath.Join(root, "*", "bin")), filepath.Join(root, "15", "bin"); got != want {
		t.Errorf("got %s, want %s: 16 is not complete", got, want)
	}
}
