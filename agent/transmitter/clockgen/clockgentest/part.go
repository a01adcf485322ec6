// Package clockgentest is a clock generator at the level of its registers, on a
// bus in memory: what is written to it is turned back into hertz with exact
// fractions, by the same note that the driver follows (Silicon Labs AN619), but
// the other way round. It stands for no measurement of a real part.
package clockgentest

import (
	"errors"
	"math/big"
	"sync"

	"periph.io/x/conn/v3/physic"
)

// Address is the part's own.
const Address = 0x60

// Part is a clock generator on a bus. Its methods and switches may be used from
// any goroutine.
type Part struct {
	mu        sync.Mutex
	crystal   *big.Rat
	registers [256]byte
	written   [256]int
	resets    int
	fail      error         // of every transaction
	flip      int           // register whose lowest bit sticks at 0; 0 is none
	unlocked  bool          // the oscillator never locks
	stuck     chan struct{} // transactions wait for it while it is open
}

// New makes a part after power-on with a crystal of that many hertz.
func New(crystal *big.Rat) *Part {
	p := &Part{crystal: crystal}
	for output := range 8 {
		p.registers[16+output] = 0x80 // all powered down
	}
	return p
}

// ErrNoAnswer is what a bus without an answer reports.
var ErrNoAnswer = errors.New("no acknowledge")

func (p *Part) String() string { return "simulated bus" }

// SetSpeed does nothing.
func (p *Part) SetSpeed(physic.Frequency) error { return nil }

// Tx is one transaction: a register's address and what to write from there on,
// or an address and how much to read.
func (p *Part) Tx(address uint16, w, r []byte) error {
	p.mu.Lock()
	stuck := p.stuck
	p.mu.Unlock()
	if stuck != nil {
		<-stuck
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.fail != nil:
		return p.fail
	case address != Address || len(w) == 0:
		return ErrNoAnswer
	}
	for i, value := range w[1:] {
		p.write(w[0]+byte(i), value)
	}
	for i := range r {
		r[i] = p.read(w[0] + byte(i))
	}
	return nil
}

func (p *Part) write(register, value byte) {
	if p.flip != 0 && int(register) == p.flip {
		value &^= 1
	}
	p.written[register]++
	if register == 177 {
		if value&0x20 != 0 {
			p.resets++
		}
		return // it clears itself
	}
	p.registers[register] = value
}

func (p *Part) read(register byte) byte {
	if register != 0 {
		return p.registers[register]
	}
	if vco := p.oscillator(); p.unlocked || vco.Cmp(big.NewRat(600e6, 1)) < 0 || vco.Cmp(big.NewRat(900e6, 1)) > 0 {
		return 0x20 // loss of lock of the first loop
	}
	return 0
}

// ratio undoes AN619's P1, P2, P3: 128·(a + b/c) = P1 + 512 + P2/P3.
func (p *Part) ratio(base int) *big.Rat {
	b := p.registers[base : base+8]
	p3 := int64(b[5]>>4)<<16 | int64(b[0])<<8 | int64(b[1])
	p1 := int64(b[2]&3)<<16 | int64(b[3])<<8 | int64(b[4])
	p2 := int64(b[5]&15)<<16 | int64(b[6])<<8 | int64(b[7])
	if p3 == 0 {
		return new(big.Rat)
	}
	ratio := new(big.Rat).Add(big.NewRat(p1+512, 1), big.NewRat(p2, p3))
	return ratio.Quo(ratio, big.NewRat(128, 1))
}

func (p *Part) oscillator() *big.Rat { return new(big.Rat).Mul(p.crystal, p.ratio(26)) }

// Hz is the frequency at an output, exactly; nil when it is off, or when its
// registers are not those of a signal.
func (p *Part) Hz(output int) *big.Rat {
	p.mu.Lock()
	defer p.mu.Unlock()
	control := p.registers[16+output]
	const ownDivider = 3 << 2
	if p.registers[3]>>output&1 == 1 || control&0x80 != 0 || control&0x20 != 0 || control&ownDivider != ownDivider || p.read(0) != 0 {
		return nil
	}
	base := 42 + 8*output
	divider := p.ratio(base)
	if p.registers[base+2]>>2&3 == 3 {
		divider = big.NewRat(4, 1)
	}
	if divider.Sign() == 0 {
		return nil
	}
	r := int64(1) << (p.registers[base+2] >> 4 & 7)
	hz := new(big.Rat).Quo(p.oscillator(), divider)
	return hz.Quo(hz, big.NewRat(r, 1))
}

// OutputPinCounts says whether the part's output enable pin is obeyed.
func (p *Part) OutputPinCounts(output int) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.registers[9]>>output&1 == 0
}

// Drive is an output's drive in milliamperes.
func (p *Part) Drive(output int) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return 2 + 2*int(p.registers[16+output]&3)
}

// Resets counts the resets of the first loop.
func (p *Part) Resets() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.resets
}

// Written counts how often each register was written.
func (p *Part) Written() [256]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.written
}

// Fail makes every transaction fail; nil ends that.
func (p *Part) Fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}

// StickBit makes the lowest bit of a register stick at 0.
func (p *Part) StickBit(register int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.flip = register
}

// Unlock makes the oscillator lose its lock.
func (p *Part) Unlock(unlocked bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.unlocked = unlocked
}

// Hang makes transactions wait, as on a bus whose clock line is held low, until
// the returned function is called.
func (p *Part) Hang() (release func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	stuck := make(chan struct{})
	p.stuck = stuck
	return func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.stuck == stuck {
			p.stuck = nil
			close(stuck)
		}
	}
}
