package endtoend

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"time"
)

// emission is one key-down in the log of a simulated transmitter.
type emission struct {
	keyed, unkeyed time.Time // unkeyed is zero when the keyer was killed meanwhile
	tones          []float64 // hertz, one for each symbol that was begun
}

func (e emission) slot(slotSeconds int64) int64 { return e.keyed.Unix() / slotSeconds }

// emissions reads what a beacon's transmitter would have sent. The last line
// may be half written.
func (n *network) emissions(beacon string) []emission {
	n.t.Helper()
	text, err := os.ReadFile(n.tones(beacon))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		n.t.Fatal(err)
	}
	var all []emission
	lines := bufio.NewScanner(bytes.NewReader(text))
	for lines.Scan() {
		var line struct {
			At  time.Time `json:"at"`
			Did string    `json:"did"`
			Hz  float64   `json:"hz"`
		}
		if json.Unmarshal(lines.Bytes(), &line) != nil {
			continue
		}
		switch line.Did {
		case "key":
			all = append(all, emission{keyed: line.At, tones: []float64{line.Hz}})
		case "tone":
			last := &all[len(all)-1]
			last.tones = append(last.tones, line.Hz)
		case "unkey":
			all[len(all)-1].unkeyed = line.At
		}
	}
	return all
}
