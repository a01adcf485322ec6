package core

import (
	"time"
	"unicode/utf8"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

const (
	noteAgain   = 10 * time.Minute
	maxSentence = 500
)

// notes remembers when what was last noted, so that a flood of bad messages
// does not become a flood of records. Its keys come from fixed lists.
type notes struct{ last map[string]time.Duration }

// note records that something worth keeping happened: the same thing for the
// same reason at most once in noteAgain.
func (c *Core) note(what, reason, sentence string) {
	key := what + " " + reason
	if last, noted := c.notes.last[key]; noted && c.now.Boot-last < noteAgain {
		return
	}
	c.notes.last[key] = c.now.Boot
	c.always(what, sentence)
}

// always records it without counting.
func (c *Core) always(what, sentence string) {
	sentence = cut(sentence, maxSentence)
	c.do(Log{true, what + ": " + sentence})
	c.record(&wirev1.Record{Body: &wirev1.Record_Event{Event: &wirev1.Event{What: what, Sentence: sentence}}})
}

// cut shortens s to at most n bytes of valid UTF-8.
func cut(s string, n int) string {
	if len(s) <= n && utf8.ValidString(s) {
		return s
	}
	runes := []rune(s) // what is not UTF-8 becomes U+FFFD
	for len(string(runes)) > n {
		runes = runes[:len(runes)-1-(len(string(runes))-n)/4]
	}
	return string(runes)
}
