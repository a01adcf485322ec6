package transmitter

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"
)

// kept is how many transmissions a simulated transmitter remembers.
const kept = 64

// Simulated sends nothing, and reports exactly which tones it would have sent
// when: to a log, and from memory. Reading from memory is safe while the keyer
// keys.
type Simulated struct {
	now func() time.Time
	log io.Writer

	mu   sync.Mutex
	sent []Transmission // the last is on the air while keyed
	down bool
}

// Transmission is what one key-down would have sent.
type Transmission struct {
	DrivePercent int
	Tones        []Edge
	Unkeyed      time.Time // zero: still on the air
}

// Edge is the moment from which a tone is on the air.
type Edge struct {
	At time.Time
	Hz float64
}

// logLine is one line of the log: JSON, one for each call that changed something.
type logLine struct {
	At           time.Time `json:"at"`
	Did          string    `json:"did"` // "key", "tone" or "unkey"
	Hz           float64   `json:"hz,omitempty"`
	DrivePercent int       `json:"drive_percent,omitempty"`
}

// NewSimulated makes a simulated transmitter. The log may be nil.
func NewSimulated(now func() time.Time, log io.Writer) *Simulated {
	return &Simulated{now: now, log: log}
}

// Key begins a transmission. Without its log it refuses: nobody would know what
// it had sent.
func (s *Simulated) Key(hz float64, drivePercent int) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.down {
		return fmt.Errorf("simulated transmitter: keyed already")
	}
	if err := checkHz(hz); err != nil {
		return err
	}
	if drivePercent < 1 || drivePercent > 100 {
		return fmt.Errorf("simulated transmitter: drive of %d percent, and it must lie between 1 and 100", drivePercent)
	}
	at := s.now()
	if err := s.write(logLine{at, "key", hz, drivePercent}); err != nil {
		return err
	}
	s.sent = append(s.sent, Transmission{DrivePercent: drivePercent, Tones: []Edge{{at, hz}}})
	s.sent = s.sent[max(0, len(s.sent)-kept):]
	s.down = true
	return nil
}

// Tone moves to another tone.
func (s *Simulated) Tone(hz float64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.down {
		return fmt.Errorf("simulated transmitter: a tone while the key is up")
	}
	if err := checkHz(hz); err != nil {
		return err
	}
	at := s.now()
	on := &s.sent[len(s.sent)-1]
	if len(on.Tones) < maxTones {
		on.Tones = append(on.Tones, Edge{at, hz})
	}
	return s.write(logLine{At: at, Did: "tone", Hz: hz})
}

// maxTones bounds what is remembered of one transmission.
const maxTones = 1024

// Unkey ends a transmission. It never fails, whatever becomes of the log.
func (s *Simulated) Unkey() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.down {
		return nil
	}
	at := s.now()
	s.down = false
	s.sent[len(s.sent)-1].Unkeyed = at
	_ = s.write(logLine{At: at, Did: "unkey"}) // what is off is off
	return nil
}

// Close unkeys.
func (s *Simulated) Close() error {
	err := s.Unkey()
	if closer, ok := s.log.(io.Closer); ok {
		err = closer.Close()
	}
	return err
}

// Sent gives the latest transmissions, at most 64, the oldest first.
func (s *Simulated) Sent() []Transmission {
	s.mu.Lock()
	defer s.mu.Unlock()
	sent := slices.Clone(s.sent)
	for i := range sent {
		sent[i].Tones = slices.Clone(sent[i].Tones)
	}
	return sent
}

// Keyed says whether a transmission is on the air.
func (s *Simulated) Keyed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.down
}

func (s *Simulated) write(l logLine) error {
	if s.log == nil {
		return nil
	}
	text, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("simulated transmitter: %w", err)
	}
	if _, err := s.log.Write(append(text, '\n')); err != nil {
		return fmt.Errorf("simulated transmitter: its log can't be written: %w", err)
	}
	return nil
}

func checkHz(hz float64) error {
	if !(hz > 0) || math.IsInf(hz, 0) {
		return fmt.Errorf("simulated transmitter: %v Hz is no frequency", hz)
	}
	return nil
}
