// Package dialoguetest is the far end of a dialogue: a keyer that obeys
// deploy/serial-keyer.md, and that can be made to misbehave.
package dialoguetest

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"

	"lamplighter/agent/transmitter/dialogue"
)

// Limits of the far end, as the document states them.
const (
	Silence = 300 * time.Millisecond // without a line
	NoTone  = time.Second
	Longest = 112 * time.Second
)

// Peer is a keyer. Its methods and switches may be used from any goroutine.
type Peer struct {
	mu              sync.Mutex
	on              bool
	millihertz      int64
	percent         int
	silence, noTone *time.Timer
	longest         *time.Timer
	answer          func(number uint16, answer string) []byte // nil: as it should be
	mute            bool
	tripped         bool
}

// New makes a keyer whose carrier is off.
func New() *Peer { return &Peer{} }

// Serve reads lines and answers them until the connection ends; then the
// carrier is off.
func (p *Peer) Serve(over io.ReadWriter) {
	defer p.Trip(false)
	lines := bufio.NewScanner(over)
	lines.Buffer(make([]byte, dialogue.MaxLine+2), dialogue.MaxLine+2)
	for lines.Scan() {
		number, words, err := dialogue.Split(lines.Bytes())
		if err != nil {
			continue
		}
		if answer := p.obey(number, words); answer != nil {
			if _, err := over.Write(answer); err != nil {
				return
			}
		}
	}
}

func (p *Peer) obey(number uint16, words []string) []byte {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.mute {
		return nil
	}
	text := p.act(words)
	if p.on {
		p.silence.Reset(Silence)
	}
	if p.answer != nil {
		return p.answer(number, text)
	}
	return dialogue.Line(number, text)
}

// act does what a line says, and gives the answer to it.
func (p *Peer) act(words []string) string {
	switch {
	case len(words) == 2 && words[0] == "hello":
		p.off()
		if words[1] != strconv.Itoa(dialogue.Version) {
			return "error unknown version"
		}
	case len(words) == 3 && words[0] == "key":
		millihertz, badHz := strconv.ParseInt(words[1], 10, 64)
		percent, badPercent := strconv.Atoi(words[2])
		if p.on || p.tripped || badHz != nil || badPercent != nil {
			p.off()
			return "error can't key"
		}
		p.down(millihertz, percent)
	case len(words) == 2 && words[0] == "tone":
		millihertz, err := strconv.ParseInt(words[1], 10, 64)
		if err != nil || !p.on {
			p.off()
			return "error can't change tone"
		}
		p.millihertz = millihertz
		p.noTone.Reset(NoTone)
	case len(words) == 1 && words[0] == "off":
		p.off()
	case len(words) == 1 && words[0] == "beat":
	default:
		p.off()
		return "error unknown line"
	}
	if p.on {
		return "on"
	}
	return "off"
}

func (p *Peer) down(millihertz int64, percent int) {
	p.on, p.millihertz, p.percent = true, millihertz, percent
	up := func() { p.Trip(false) }
	p.silence, p.noTone, p.longest = time.AfterFunc(Silence, up), time.AfterFunc(NoTone, up), time.AfterFunc(Longest, up)
}

func (p *Peer) off() {
	if !p.on {
		return
	}
	p.on = false
	for _, timer := range []*time.Timer{p.silence, p.noTone, p.longest} {
		timer.Stop()
	}
}

// Trip keys up, as at the end of a limit; for good, if it is to stay so.
func (p *Peer) Trip(stay bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.off()
	p.tripped = p.tripped || stay
}

// Carrier says whether the carrier is on.
func (p *Peer) Carrier() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.on
}

// Signal describes what is on the air.
func (p *Peer) Signal() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.on {
		return "off"
	}
	return fmt.Sprintf("%d mHz at %d %%", p.millihertz, p.percent)
}

// Mute makes the keyer hear and say nothing.
func (p *Peer) Mute(mute bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mute = mute
}

// Answer replaces what the keyer writes when it should answer; nil ends that.
func (p *Peer) Answer(with func(number uint16, answer string) []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answer = with
}
