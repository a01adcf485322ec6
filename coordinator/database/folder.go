package database

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// role and name are those of the one role and the one database in the cluster.
const (
	role         = "lamplighter"
	databaseName = "lamplighter"
	socketPort   = 5432 // only part of the socket's file name
	longestPath  = 107  // of a socket, from sockaddr_un (unix(7)), its closing zero left out
)

// folder is the place of one private Postgres.
type folder struct {
	root, data, socket string
	password           string
	socketIsApart      bool // outside root, because root's path is too long
}

// prepare makes the folder, or finds the existing one, and its password.
func prepare(root string, owner account) (folder, error) {
	root, err := filepath.Abs(root)
	if err != nil {
		return folder{}, err
	}
	if err := os.MkdirAll(root, 0o755); err != nil {
		return folder{}, fmt.Errorf("no folder for Postgres: %w", err)
	}
	if err := owner.checkWay(root); err != nil {
		return folder{}, err
	}
	f := folder{root: root, data: dataIn(root), socket: filepath.Join(root, "socket")}
	if len(f.socketFile()) > longestPath {
		f.socketIsApart = true
		if f.socket, err = os.MkdirTemp("", "lamplighter-"); err != nil {
			return folder{}, fmt.Errorf("no folder for the socket of Postgres: %w", err)
		}
	}
	if err = owner.own(f.socket); err == nil {
		f.password, err = readPassword(filepath.Join(root, "password"))
	}
	if err == nil && f.socketIsApart {
		err = owner.checkWay(filepath.Dir(f.socket))
	}
	if err != nil {
		return folder{}, errors.Join(err, f.leave())
	}
	return f, nil
}

func dataIn(root string) string { return filepath.Join(root, "data") }

func (f folder) socketFile() string {
	return filepath.Join(f.socket, fmt.Sprintf(".s.PGSQL.%d", socketPort))
}

// leave removes what is of no use without a running server.
func (f folder) leave() error {
	if f.socketIsApart {
		return os.RemoveAll(f.socket)
	}
	return nil
}

// readPassword reads the role's password, or makes one.
func readPassword(file string) (string, error) {
	text, err := os.ReadFile(file)
	if err == nil {
		return strings.TrimSpace(string(text)), nil
	}
	if !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	password := rand.Text()
	return password, os.WriteFile(file, []byte(password+"\n"), 0o600)
}

// initialise makes the cluster unless there is one: under another name first,
// so that one that was not finished is never taken for whole.
func (f folder) initialise(ctx context.Context, binaries string, owner account, disposable bool) error {
	if _, err := os.Stat(f.data); err == nil {
		return nil
	}
	unfinished := f.data + ".new"
	if err := errors.Join(os.RemoveAll(unfinished), owner.own(unfinished)); err != nil {
		return err
	}
	arguments := []string{
		"--pgdata", unfinished, "--username", role, "--auth-local", "trust", "--auth-host", "scram-sha-256",
		"--encoding", "UTF8", "--locale", "C",
	}
	if disposable {
		arguments = append(arguments, "--no-sync")
	}
	command := exec.CommandContext(ctx, filepath.Join(binaries, "initdb"), arguments...)
	command.Dir, command.Env, command.SysProcAttr = unfinished, environment(), attributes(owner)
	if output, err := runBound(command); err != nil {
		return fmt.Errorf("initdb could not make a database in %s: %w: %s", unfinished, err, lastLines(output))
	}
	return os.Rename(unfinished, f.data)
}

// environment is all that the server is told of ours.
func environment() []string {
	return []string{"PATH=/usr/bin:/bin", "LC_ALL=C", "TZ=UTC"}
}

func lastLines(output string) string {
	lines := strings.Split(strings.TrimSpace(output), "\n")
	return strings.Join(lines[max(0, len(lines)-3):], " / ")
}
