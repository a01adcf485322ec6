package doctor

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"lamplighter/proto/setup"
)

// bus looks for what the driver speaks over. Nothing is opened: opening a serial
// port may move the lines that key.
func (p Patient) bus(context.Context) []Finding {
	const subject = "bus"
	t := p.File.Transmitter
	switch {
	case t.Bus != nil:
		return p.device(subject, filepath.Join(p.Devices, fmt.Sprintf("i2c-%d", *t.Bus)), "Switch the I2C bus on in the machine's boot configuration")
	case t.Port != "":
		return p.device(subject, t.Port, "Plug the keyer in")
	case len(t.Command) > 0:
		if err := unix.Access(t.Command[0], unix.X_OK); err != nil {
			return one(subject, Wrong, fmt.Sprintf("The transmitter's command %s can't be called: %v.", t.Command[0], err), "Put the program there, and let the agent's user call it.")
		}
		return one(subject, Well, fmt.Sprintf("The transmitter's command %s is there.", t.Command[0]), "")
	case t.Driver == "simulated":
		return one(subject, Note, "The transmitter is simulated: nothing will ever be on the air.", "Name a real driver in the configuration's transmitter section.")
	}
	return one(subject, Unasked, "The transmitter's driver needs no bus.", "")
}

// device says whether the agent's user may use a device.
func (p Patient) device(subject, path, advice string) []Finding {
	err := unix.Access(path, unix.R_OK|unix.W_OK)
	switch {
	case err == nil:
		return one(subject, Well, path+" is there and may be used.", "")
	case errors.Is(err, unix.EACCES):
		return one(subject, Wrong, fmt.Sprintf("%s is there, and this user may not use it.", path), "Add the user to the device's group; as a rule that is i2c, gpio or dialout.")
	}
	return one(subject, Wrong, fmt.Sprintf("%s can't be used: %v.", path, err), advice+", and look whether the configuration names the right one.")
}

// keyLine looks for the lines that key, switch and read back.
func (p Patient) keyLine(context.Context) []Finding {
	const subject = "key line"
	var found []Finding
	if why := p.File.Transmitter.LocalOnly(); why != "" {
		found = one(subject, Note, "Mind: "+why+".", "")
	}
	chips := map[string]bool{}
	for _, l := range lines(p.File.Transmitter) {
		if !chips[l.Chip] {
			chips[l.Chip] = true
			found = append(found, p.device(subject, filepath.Join(p.Devices, l.Chip), "Look which chips the machine has")...)
		}
	}
	if len(found) == 0 {
		return one(subject, Unasked, "The configuration names no line of this machine; what gates the transmitter must be at its other end.", "")
	}
	return found
}

func lines(t setup.Transmitter) []setup.Line {
	var all []setup.Line
	add := func(list ...*setup.Line) {
		for _, l := range list {
			if l != nil {
				all = append(all, *l)
			}
		}
	}
	add(t.KeyLine)
	for i := range t.Relays {
		add(&t.Relays[i].Line, t.Relays[i].ReadBack)
	}
	if a := t.Amplifier; a != nil {
		add(&a.Line, a.ReadBack)
	}
	if t.Plug != nil {
		all = append(all, t.Plug.Pins...)
	}
	for i := range t.Interlocks {
		add(&t.Interlocks[i].Line)
	}
	return all
}

// The room that must be left where the outbox lies.
const (
	littleRoom = 500 << 20
	noRoom     = 60 << 20 // what the outbox may take, and a little more
)

// disk looks whether the agent's folder can be written.
func (p Patient) disk(context.Context) []Finding {
	const subject = "disk"
	folder := p.File.Folder
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return one(subject, Note, folder+" does not exist yet; the agent makes it when it starts.", "")
	case err != nil:
		return one(subject, Wrong, fmt.Sprintf("The agent's folder can't be looked at: %v.", err), "Let the agent's user read and write it.")
	case !info.IsDir():
		return one(subject, Wrong, folder+" is no folder.", "Move away what is in its place.")
	}
	if err := unix.Access(folder, unix.W_OK|unix.X_OK); err != nil {
		return one(subject, Wrong, fmt.Sprintf("Nothing can be written in %s: %v. Without that nothing is transmitted.", folder, err), "Look whether the card is worn out and was mounted read-only, and whose the folder is.")
	}
	found := broken(folder)
	var fs unix.Statfs_t
	if err := unix.Statfs(folder, &fs); err != nil {
		return append(found, one(subject, Wrong, fmt.Sprintf("How much room there is in %s can't be told: %v.", folder, err), "Look at the card.")...)
	}
	return append(found, room(folder, fs.Bavail*uint64(fs.Bsize))...)
}

func room(folder string, free uint64) []Finding {
	const subject = "disk"
	sentence := fmt.Sprintf("%d MB are free in %s", free>>20, folder)
	switch {
	case free < noRoom:
		return one(subject, Wrong, sentence+", and the outbox may need 50.", "Make room.")
	case free < littleRoom:
		return one(subject, Note, sentence+".", "Make room before it is full.")
	}
	return one(subject, Well, sentence+".", "")
}

// broken tells of outboxes that were moved aside.
func broken(folder string) []Finding {
	list, err := filepath.Glob(filepath.Join(folder, "outbox.db.broken-*"))
	if err != nil || len(list) == 0 {
		return nil
	}
	var names []string
	for _, path := range list {
		if name := filepath.Base(path); !strings.HasSuffix(name, "-wal") && !strings.HasSuffix(name, "-shm") {
			names = append(names, name)
		}
	}
	return one("disk", Note, fmt.Sprintf("An outbox was broken and moved aside: %s.", strings.Join(names, ", ")), "Keep the file if its records matter, and replace the card: they seldom break only once.")
}
