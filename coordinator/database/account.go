package database

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is who the server runs as.
type account struct {
	name       string
	credential *syscall.Credential // nil: as this program does
}

// chooseAccount is this program's own user; for root the owner of the data that
// are there already, else postgres, else nobody.
func chooseAccount(data string) (account, error) {
	owner, found := ownerOf(data)
	switch me := uint32(os.Geteuid()); {
	case me != 0 && found && owner.Uid != me:
		return account{}, fmt.Errorf("the data in %s belong to user number %d: start as that user, or choose another folder", data, owner.Uid)
	case me != 0:
		return account{name: "this user"}, nil
	case found && owner.Uid != 0:
		return account{fmt.Sprintf("user number %d, the owner of the data", owner.Uid), owner}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		if entry, err := user.Lookup(name); err == nil {
			uid, uidErr := strconv.ParseUint(entry.Uid, 10, 32)
			gid, gidErr := strconv.ParseUint(entry.Gid, 10, 32)
			return account{"user " + name, &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}, errors.Join(uidErr, gidErr)
		}
	}
	return account{}, errors.New("Postgres does not run as root, and there is neither a user postgres nor nobody: start Lamplighter as an ordinary user")
}

func ownerOf(path string) (*syscall.Credential, bool) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, false
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil, false
	}
	return &syscall.Credential{Uid: stat.Uid, Gid: stat.Gid}, true
}

// own makes a folder of the account's, with nobody else let in.
func (a account) own(folder string) error {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return err
	}
	if a.credential != nil {
		if err := os.Lchown(folder, int(a.credential.Uid), int(a.credential.Gid)); err != nil {
			return err
		}
	}
	return os.Chmod(folder, 0o700)
}

// checkWay says which folder on the way to path the account cannot enter.
func (a account) checkWay(path string) error {
	for folder := path; ; folder = filepath.Dir(folder) {
		info, err := os.Stat(folder)
		if err != nil {
			return err
		}
		if !a.mayEnter(info) {
			return fmt.Errorf("Postgres runs as %s, which cannot enter %s (mode %04o): choose a folder below one that everybody may enter, such as /var/lib/lamplighter, or run chmod o+x %s",
				a.name, folder, info.Mode().Perm(), folder)
		}
		if folder == filepath.Dir(folder) {
			return nil
		}
	}
}

func (a account) mayEnter(info fs.FileInfo) bool {
	stat, ok := info.Sys().(*syscall.Stat_t)
	switch {
	case !ok || a.credential == nil: // as ourselves: what we could reach, it can
		return true
	case stat.Uid == a.credential.Uid:
		return info.Mode()&0o100 != 0
	case stat.Gid == a.credential.Gid:
		return info.Mode()&0o010 != 0
	default:
		return info.Mode()&0o001 != 0
	}
}
