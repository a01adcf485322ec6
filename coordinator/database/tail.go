package database

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

// tail passes what the server writes on to the log, line by line, and keeps the
// last lines for when it dies.
type tail struct {
	logger *slog.Logger

	mu      sync.Mutex
	partial []byte
	lines   []string
}

const (
	keptLines   = 4
	longestLine = 4096
)

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.partial = append(t.partial, p...)
	for {
		end := bytes.IndexByte(t.partial, '\n')
		if end < 0 && len(t.partial) < longestLine {
			return len(p), nil
		}
		if end < 0 {
			end = len(t.partial) - 1
		}
		t.keep(string(bytes.TrimSpace(t.partial[:end+1])))
		t.partial = t.partial[end+1:]
	}
}

func (t *tail) keep(line string) {
	t.logger.LogAttrs(context.Background(), slog.LevelDebug, "Postgres says", slog.String("line", line))
	t.lines = append(t.lines, line)
	t.lines = t.lines[max(0, len(t.lines)-keptLines):]
}

func (t *tail) last() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.lines) == 0 {
		return "it said nothing"
	}
	return strings.Join(t.lines, " / ")
}
