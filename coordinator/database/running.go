package database

import (
	"net/url"
	"os"
	"path/filepath"
	"strings"
)

// Binaries is the folder of the programs of Postgres that a private one is run
// from, such as pg_dump.
func Binaries() (string, error) { return find("") }

// Running says how to reach the private Postgres in dir over its socket, if one
// runs there.
func Running(dir string) (address string, running bool) {
	root, err := filepath.Abs(dir)
	if err != nil {
		return "", false
	}
	if _, running = (folder{root: root, data: dataIn(root)}).locker(); !running {
		return "", false
	}
	text, err := os.ReadFile(filepath.Join(dataIn(root), "postmaster.pid"))
	lines := strings.Split(string(text), "\n")
	if err != nil || len(lines) < 5 {
		return "", false
	}
	// The lines are: process, data, start, port, folder of the socket.
	query := url.Values{"host": {lines[4]}, "port": {lines[3]}}
	return "postgres://" + role + "@/" + databaseName + "?" + query.Encode(), true
}
