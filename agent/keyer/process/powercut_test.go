package process

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"maps"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// disk is a volume whose power can go before any operation. What was not synced
// may be there then, in part or whole, or not.
type disk struct {
	names, synced map[string]*inode // of the folder: as it is, and as it surely is
	left          int               // operations until the power goes
}

type inode struct{ data, synced []byte }

var errPower = errors.New("the power is gone")

func newDisk(state []byte) *disk {
	d := &disk{names: map[string]*inode{}, left: 1 << 30}
	if state != nil {
		d.names[stateName] = &inode{state, state}
	}
	d.synced = maps.Clone(d.names)
	return d
}

func (d *disk) act() error {
	if d.left--; d.left < 0 {
		return errPower
	}
	return nil
}

func (d *disk) open(name string) (io.ReadCloser, error) {
	if file := d.names[name]; file != nil {
		return io.NopCloser(bytes.NewReader(file.data)), nil
	}
	return nil, fs.ErrNotExist
}

func (d *disk) create(name string) (blank, error) {
	if err := d.act(); err != nil {
		return nil, err
	}
	if d.names[name] == nil {
		d.names[name] = &inode{}
	}
	d.names[name].data = nil
	return &pen{d, d.names[name]}, nil
}

func (d *disk) rename(from, to string) error {
	if err := d.act(); err != nil {
		return err
	}
	d.names[to] = d.names[from]
	delete(d.names, from)
	return nil
}

func (d *disk) sync() error {
	if err := d.act(); err != nil {
		return err
	}
	d.synced = maps.Clone(d.names)
	return nil
}

// pen writes in two halves, so that the power can go between them.
type pen struct {
	disk *disk
	file *inode
}

func (p *pen) Write(b []byte) (int, error) {
	half := len(b) / 2
	for _, part := range [][]byte{b[:half], b[half:]} {
		if err := p.disk.act(); err != nil {
			return 0, err
		}
		p.file.data = append(p.file.data, part...)
	}
	return len(b), nil
}

func (p *pen) Sync() error {
	if err := p.disk.act(); err != nil {
		return err
	}
	p.file.synced = bytes.Clone(p.file.data)
	return nil
}

func (p *pen) Close() error { return p.disk.act() }

// afterwards lists what may be on the disk when the power is back: the names as
// they were or as they surely are, and of each file what was synced, what was
// not, or half of that.
func (d *disk) afterwards() (all []*disk) {
	for _, names := range []map[string]*inode{d.names, d.synced} {
		for _, content := range []func(*inode) []byte{
			func(i *inode) []byte { return i.data },
			func(i *inode) []byte { return i.synced },
			func(i *inode) []byte { return i.data[:len(i.data)/2] },
		} {
			again := newDisk(nil)
			for name, file := range names {
				data := content(file)
				if bytes.Equal(file.synced, file.data) {
					data = file.data
				}
				again.names[name] = &inode{data, data}
			}
			all = append(all, again)
		}
	}
	return all
}

// shot is one state of a keyer with what it stands for.
type shot struct {
	state           []byte
	hushed, tripped bool
}

// history takes a real keyer through a stop, a trip, a re-arm and a release, and
// gives each state that it wanted written.
func history(t *testing.T) (config keyer.Config, shots []shot) {
	signer, err := seal.NewSigner(bytes.NewReader(bytes.Repeat([]byte{1}, 32)))
	if err != nil {
		t.Fatal(err)
	}
	config = keyer.Config{Network: "qnet", Beacon: "mill-hf", Keys: seal.NewKeyring(signer.Public()), BootID: "boot-1"}
	now := keyer.Instant{Wall: time.Unix(1772366400, 0), Boot: time.Hour}
	core, actions := keyer.New(config, keyer.Persisted{}, now)
	hush := func(number uint64, scopes ...*wirev1.HushScope) keyer.Event {
		payload, err := proto.Marshal(&wirev1.Hush{Network: "qnet", Beacon: "mill-hf", Epoch: 1, Number: number, Scopes: scopes})
		if err != nil {
			t.Fatal(err)
		}
		sealed := signer.Seal(seal.Hush, "qnet", "mill-hf", payload)
		return keyer.FromAgent{Message: &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Hush{Hush: sealed}}}
	}
	var hushed, tripped bool
	take := func(actions []keyer.Action) {
		for len(actions) > 0 {
			var e keyer.Event
			switch a := actions[0].(type) {
			case keyer.Unkey:
				e = keyer.Unkeyed{}
			case keyer.Examine:
				e = keyer.Examined{}
			case keyer.Persist:
				shots = append(shots, shot{a.State, hushed, tripped})
				e = keyer.Stored{}
			}
			if actions = actions[1:]; e != nil {
				actions = append(actions, core.Step(now, e)...)
			}
		}
	}
	take(actions)
	for _, s := range []struct {
		event           keyer.Event
		hushed, tripped bool
	}{
		{hush(1), false, false},
		{hush(2, &wirev1.HushScope{}), true, false},
		{keyer.ReadBackMismatch{}, true, true},
		{hush(3, &wirev1.HushScope{}, &wirev1.HushScope{Band: "40m"}), true, true},
		{keyer.Rearm{By: "warden", Why: "looked"}, true, false},
		{hush(4), false, false},
	} {
		hushed, tripped = s.hushed, s.tripped
		take(core.Step(now, s.event))
	}
	return config, shots
}

// cut cuts the power before each operation of a write in turn, and gives how
// often what was there afterwards was neither the old state nor the new one, or
// not the new one although it had been reported as written.
func cut(t *testing.T, write func(volume, []byte) error) (wrong int) {
	config, shots := history(t)
	if len(shots) != 6 {
		t.Fatalf("%d states", len(shots))
	}
	cuts := 0
	for i := 1; i < len(shots); i++ {
		before, after := shots[i-1], shots[i]
		for operations, finished := 0, false; !finished; operations++ {
			d := newDisk(before.state)
			d.left = operations
			finished = write(d, after.state) == nil
			for _, then := range d.afterwards() {
				cuts++
				found := readState(then)
				switch {
				case bytes.Equal(found.State, after.state):
					check(t, config, found, after)
				case bytes.Equal(found.State, before.state) && !finished:
					check(t, config, found, before)
				default:
					wrong++
				}
			}
		}
	}
	t.Logf("%d cuts, %d wrong", cuts, wrong)
	return wrong
}

// check wants a keyer that finds a state to be as silent as it was.
func check(t *testing.T, config keyer.Config, found keyer.Persisted, want shot) {
	t.Helper()
	_, actions := keyer.New(config, found, keyer.Instant{Wall: time.Unix(1772366500, 0), Boot: 2 * time.Hour})
	for _, action := range actions {
		reply, ok := action.(keyer.Reply)
		if !ok {
			continue
		}
		if s := reply.Message.GetStatus(); s != nil && (s.GetHushed() != want.hushed || (s.GetTripped() != "") != want.tripped) {
			t.Errorf("%v, want hushed %v, tripped %v", s, want.hushed, want.tripped)
		}
	}
}

func TestS6NothingIsUnstoppedByAPowerCutAtAnyWrite(t *testing.T) {
	if wrong := cut(t, writeState); wrong != 0 {
		t.Errorf("%d cuts leave something else than the old state or the new one", wrong)
	}
}

// The same search finds what each part of the write is there for.
func TestThePowerCutsFindWritesThatAreWrong(t *testing.T) {
	for name, write := range map[string]func(volume, []byte) error{
		"in place": func(v volume, state []byte) error {
			file, err := v.create(stateName)
			if err != nil {
				return err
			}
			_, err = file.Write(state)
			return errors.Join(err, file.Sync(), file.Close())
		},
		"file not synced":   func(v volume, state []byte) error { return writeState(noFileSync{v}, state) },
		"folder not synced": func(v volume, state []byte) error { return writeState(noFolderSync{v}, state) },
	} {
		if cut(t, write) == 0 {
			t.Errorf("%s: not found", name)
		}
	}
}

type noFolderSync struct{ volume }

func (noFolderSync) sync() error { return nil }

type noFileSync struct{ volume }

func (v noFileSync) create(name string) (blank, error) {
	file, err := v.volume.create(name)
	return noSync{file}, err
}

type noSync struct{ blank }

func (noSync) Sync() error { return nil }
