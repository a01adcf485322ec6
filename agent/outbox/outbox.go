// Package outbox keeps on disk what must not be lost: the records until the
// coordinator has them, the slots that are in the keyer's hands, and what a
// later run needs to know. All of it lies in one SQLite database, so that a
// record, the intent that it closes and the state that goes with it are one
// transaction: a kill at any moment leaves all of it or nothing.
//
// The outbox numbers the records: (boot, seq), boot being the run's id and seq
// counting from 1 within the run, without gaps. A commit that failed used no
// number. Records are stored as the bytes that will travel and never written
// anew. They leave only by Delete, which takes what a receipt covers, or, when
// there are too many or they are too old, by thinning: health samples, oldest
// first, each contiguous range of numbers replaced by one record that names it.
// Everything else is kept whatever the size.
//
// The database is in WAL mode with synchronous=FULL: a commit that was reported
// is on the disk. It is locked for the process, so that two agents can't share
// a folder. A database that is broken is moved aside, never deleted, and a new
// one is begun; Restored.Trouble says so.
package outbox

import (
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"lamplighter/agent/core"
)

// Limits beyond which health samples are thinned.
const (
	MaxBytes = 50 << 20
	MaxAge   = 7 * 24 * time.Hour
)

const name = "outbox.db"

const schema = `
create table if not exists state (key text primary key, value blob not null) without rowid;
create table if not exists intent (slot integer primary key, outcome blob not null);
create table if not exists record (
	position integer primary key autoincrement,
	boot     text    not null,
	seq      integer not null,
	health   integer not null, -- 1 for what may be thinned
	taken    integer not null, -- by the beacon's own time, microseconds of Unix time
	bytes    blob    not null,
	unique (boot, seq)
);
create index if not exists record_health on record (position) where health = 1;
`

// Outbox is one agent's. It is not safe for concurrent use.
type Outbox struct {
	db     *sql.DB
	folder string
	run    string

	lastSeq   uint64
	uncertain bool // whether a commit failed in a way that may have stored it
	saved     core.Saved
	records   int64
	bytes     int64
	maxBytes  int64
}

// Open opens or creates the outbox in a folder, for a run with the given id.
func Open(folder, run string) (*Outbox, core.Restored, error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, core.Restored{}, fmt.Errorf("the agent's folder can't be made: %w", err)
	}
	o, restored, err := open(folder, run)
	if !broken(err) {
		return o, restored, err
	}
	aside, moveErr := moveAside(filepath.Join(folder, name))
	if moveErr != nil {
		return nil, core.Restored{}, fmt.Errorf("the outbox is broken (%w) and can't be moved aside: %w", err, moveErr)
	}
	o, restored, reopenErr := open(folder, run)
	if reopenErr != nil {
		return nil, core.Restored{}, fmt.Errorf("a new outbox can't be begun after the old one was moved to %s: %w", aside, reopenErr)
	}
	restored.Trouble = fmt.Sprintf("The outbox was broken (%v). It was moved to %s, with whatever records it held, and a new one was begun.", err, filepath.Base(aside))
	return o, restored, nil
}

func open(folder, run string) (*Outbox, core.Restored, error) {
	path := filepath.Join(folder, name)
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?_txlock=immediate"+
		"&_pragma=busy_timeout(2000)&_pragma=locking_mode(EXCLUSIVE)&_pragma=journal_mode(WAL)"+
		"&_pragma=synchronous(FULL)&_pragma=cache_size(-512)")
	if err != nil {
		return nil, core.Restored{}, fmt.Errorf("outbox %s: %w", path, err)
	}
	db.SetMaxOpenConns(1)
	o := &Outbox{db: db, folder: folder, run: run, maxBytes: MaxBytes}
	restored, err := o.start()
	if err != nil {
		return nil, core.Restored{}, errors.Join(explain(path, err), db.Close())
	}
	return o, restored, nil
}

// Close closes the database.
func (o *Outbox) Close() error { return o.db.Close() }

func (o *Outbox) start() (core.Restored, error) {
	if _, err := o.db.Exec(schema); err != nil {
		return core.Restored{}, err
	}
	if err := o.checkWhole(); err != nil {
		return core.Restored{}, err
	}
	return o.restore()
}

// errDamaged is what a database that can be opened and makes no sense is.
var errDamaged = errors.New("damaged")

func (o *Outbox) checkWhole() error {
	var verdict string
	if err := o.db.QueryRow("pragma quick_check(1)").Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return fmt.Errorf("%w: %.200s", errDamaged, verdict)
	}
	return nil
}

// primary is the SQLite result code of an error without its extension, 0 if it
// has none.
func primary(err error) int {
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		return e.Code() & 0xff
	}
	return 0
}

func broken(err error) bool {
	code := primary(err)
	return errors.Is(err, errDamaged) || code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// ErrInUse is what Open says of an outbox that another agent has open.
var ErrInUse = errors.New("is in use: another agent runs with this folder; stop it, or give this one a folder of its own")

func explain(path string, err error) error {
	if primary(err) == sqlite3.SQLITE_BUSY {
		return fmt.Errorf("outbox %s %w", path, ErrInUse)
	}
	return fmt.Errorf("outbox %s: %w", path, err)
}

// moveAside renames a database and what belongs to it to a name that is free.
func moveAside(path string) (string, error) {
	for n := 1; ; n++ {
		aside := fmt.Sprintf("%s.broken-%d", path, n)
		if _, err := os.Lstat(aside); err == nil {
			continue
		}
		for _, suffix := range []string{"-wal", "-shm", ""} {
			err := os.Rename(path+suffix, aside+suffix)
			if err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", err
			}
		}
		return aside, nil
	}
}

// Room is what the outbox holds and what is left for it.
func (o *Outbox) Room() core.Room {
	room := core.Room{Records: uint64(max(0, o.records))}
	var fs unix.Statfs_t
	if unix.Statfs(o.folder, &fs) == nil {
		free := fs.Bavail * uint64(fs.Bsize)
		room.FreeBytes = &free
	}
	return room
}
