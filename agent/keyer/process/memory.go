package process

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lamplighter/agent/keyer"
)

// memory is a file on no disk that holds a trip; empty: there is none. Nothing
// that is done with it waits for a disk, so the loop does it itself.
type memory string

// memory gives the file of this beacon's keyer.
func (l *loop) memory() memory {
	if l.Memory == "" {
		return ""
	}
	return memory(filepath.Join(l.Memory, "keyer-"+l.Beacon+".tripped"))
}

// remember keeps a trip; empty: none is kept any more.
func (m memory) remember(tripped keyer.Reason) error {
	if m == "" {
		return nil
	}
	if tripped != "" {
		return os.WriteFile(string(m), []byte(tripped), 0o600)
	}
	if err := os.Remove(string(m)); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// trip is what is remembered. What can't be read was one.
func (m memory) trip() keyer.Reason {
	if m == "" {
		return ""
	}
	text, err := os.ReadFile(string(m))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return ""
	case err != nil || len(text) == 0 || len(text) > 40 || strings.Trim(string(text), "abcdefghijklmnopqrstuvwxyz_") != "":
		return keyer.StateGarbled
	}
	return keyer.Reason(text)
}
