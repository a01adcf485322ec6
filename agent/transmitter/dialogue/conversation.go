package dialogue

import (
	"bufio"
	"errors"
	"io"
	"sync"
	"time"
)

// answerTime is how long the far end may take to answer.
const answerTime = 30 * time.Millisecond

var errNoAnswer = errors.New("no answer in time")

// conversation asks over one connection.
type conversation struct {
	over    io.ReadWriteCloser
	out     chan []byte
	gone    chan struct{} // the connection broke, and err says how
	closing sync.Once
	closed  chan struct{} // it was let go

	mu      sync.Mutex
	number  uint16
	waiting map[uint16]chan Answer
	err     error
}

func converse(over io.ReadWriteCloser) *conversation {
	c := &conversation{
		over: over, out: make(chan []byte, 8), gone: make(chan struct{}), closed: make(chan struct{}),
		waiting: map[uint16]chan Answer{},
	}
	go c.read()
	go c.write()
	return c
}

// ask says something and waits for its answer.
func (c *conversation) ask(words string, within time.Duration) (Answer, error) {
	number, answers := c.expect()
	defer c.forget(number)
	select {
	case c.out <- Line(number, words):
	default:
		return Answer{}, errNoAnswer // earlier lines are still to be written
	}
	timer := time.NewTimer(within)
	defer timer.Stop()
	select {
	case a := <-answers:
		return a, nil
	case <-c.gone:
		return Answer{}, c.err
	case <-timer.C:
		return Answer{}, errNoAnswer
	}
}

func (c *conversation) expect() (uint16, <-chan Answer) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.number++
	answers := make(chan Answer, 1)
	c.waiting[c.number] = answers
	return c.number, answers
}

func (c *conversation) forget(number uint16) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.waiting, number)
}

// heard passes an answer to whoever waits for it.
func (c *conversation) heard(a Answer) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if answers, ok := c.waiting[a.Number]; ok {
		delete(c.waiting, a.Number)
		answers <- a
	}
}

func (c *conversation) read() {
	lines := bufio.NewReaderSize(c.over, MaxLine+2)
	for whole := true; ; {
		line, err := lines.ReadSlice('\n')
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			c.err = err
			close(c.gone)
			return
		}
		if a, noise := ParseAnswer(line); whole && err == nil && noise == nil {
			c.heard(a)
		}
		whole = err == nil // else what follows is the rest of a line that is too long
	}
}

// write ends with the connection. A line that can't be written is not answered.
func (c *conversation) write() {
	for {
		select {
		case line := <-c.out:
			if _, err := c.over.Write(line); err != nil {
				return
			}
		case <-c.gone:
			return
		}
	}
}

func (c *conversation) broken() bool {
	select {
	case <-c.gone:
		return true
	default:
		return false
	}
}

// close begins to let go of the connection. That may take as long as the kernel
// has something left to write. The far end keys up without us.
func (c *conversation) close() {
	c.closing.Do(func() {
		go func() {
			_ = c.over.Close()
			close(c.closed)
		}()
	})
}
