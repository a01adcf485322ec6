package accounts

import (
	"maps"
	"sync"
	"time"

	"lamplighter/coordinator/people"
)

// How long, and for how many secrets, it is remembered who was let in.
const (
	rememberFor  = 24 * time.Hour
	mostRemember = 1000
)

// memory remembers who was let in by a secret; the zero value is empty.
type memory struct {
	mu    sync.Mutex
	known map[[32]byte]remembered
}

type remembered struct {
	person people.Person
	at     time.Time
}

func (m *memory) keep(secret string, p people.Person) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.known == nil {
		m.known = map[[32]byte]remembered{}
	}
	for key := range m.known { // any of them: who is let in again is remembered again
		if len(m.known) < mostRemember {
			break
		}
		delete(m.known, key)
	}
	m.known[[32]byte(digest(secret))] = remembered{p, time.Now()}
}

func (m *memory) forget(secret string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.known, [32]byte(digest(secret)))
}

// forgetPerson forgets whatever let a person in.
func (m *memory) forgetPerson(name string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	maps.DeleteFunc(m.known, func(_ [32]byte, r remembered) bool { return r.person.Name == name })
}

func (m *memory) of(secret string) (people.Person, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	r, ok := m.known[[32]byte(digest(secret))]
	return r.person, ok && time.Since(r.at) < rememberFor
}
