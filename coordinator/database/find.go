package database

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
)

// installed is where the distribution's package puts each version's programs.
const installed = "/usr/lib/postgresql/*/bin"

// errMissing is the whole message for a machine without Postgres.
var errMissing = errors.New("no Postgres on this machine: install the package postgresql (apt install postgresql), or name a running one by its database URL")

// find gives the folder that holds initdb and postgres: the given one, that of
// the environment's PGBIN, the newest that the distribution installed, or the
// first in the PATH.
func find(given string) (string, error) {
	for _, chosen := range []struct{ folder, by string }{{given, "the given folder"}, {os.Getenv("PGBIN"), "PGBIN"}} {
		if chosen.folder == "" {
			continue
		}
		if !complete(chosen.folder) {
			return "", errors.New(chosen.by + " " + strconv.Quote(chosen.folder) + " holds no initdb and postgres: it must be the bin folder of a Postgres installation, such as that of the package postgresql")
		}
		return chosen.folder, nil
	}
	if folder := newest(installed); folder != "" {
		return folder, nil
	}
	if program, err := exec.LookPath("postgres"); err == nil {
		if resolved, err := filepath.EvalSymlinks(program); err == nil && complete(filepath.Dir(resolved)) {
			return filepath.Dir(resolved), nil
		}
	}
	return "", errMissing
}

// newest picks, of the folders that match, the complete one with the highest
// version number above it.
func newest(pattern string) string {
	folders, _ := filepath.Glob(pattern) // only a bad pattern errs
	best, bestVersion := "", -1.0
	for _, folder := range folders {
		version, err := strconv.ParseFloat(filepath.Base(filepath.Dir(folder)), 64)
		if err == nil && version > bestVersion && complete(folder) {
			best, bestVersion = folder, version
		}
	}
	return best
}

func complete(folder string) bool {
	for _, program := range []string{"initdb", "postgres"} {
		if _, err := exec.LookPath(filepath.Join(folder, program)); err != nil {
			return false
		}
	}
	return true
}
