package machine

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"
)

func pipes(t *testing.T) (r, w *os.File) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _, _ = r.Close(), w.Close() }) // some are closed by then
	return r, w
}

// A pipe from another process blocks. It is polled all the same, and still ends
// when its other end is closed.
func TestAPipeIsPolled(t *testing.T) {
	r, w := pipes(t)
	r.Fd() // makes it block, as starting a process does
	pipe := NewPipe(r)
	if pipe == nil {
		t.Fatal("no pipe")
	}
	if err := pipe.polled.SetReadDeadline(time.Now()); err != nil {
		t.Fatalf("the pipe is not polled: %v", err)
	}
	if n, err := pipe.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("read %d bytes of none: %v", n, err)
	}
	if err := pipe.polled.SetReadDeadline(time.Time{}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.WriteString("word"); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 8)
	if n, err := pipe.Read(got[:0]); n != 0 || err != nil {
		t.Errorf("into nothing: %d bytes, %v", n, err)
	}
	if n, err := pipe.Read(got); string(got[:n]) != "word" || err != nil {
		t.Errorf("%q, %v", got[:n], err)
	}
	if n, err := pipe.Read(got); n != 0 || !errors.Is(err, io.EOF) {
		t.Errorf("%d bytes after the end, %v", n, err)
	}
	if err := pipe.Close(); err != nil {
		t.Error(err)
	}
	if _, err := pipe.Read(got); err == nil {
		t.Error("read from what is closed")
	}
}

// More than a pipe holds goes through it whole and in order, while the reader
// takes it away; and a writer whose reader is gone hears of it.
func TestAPipeIsWritten(t *testing.T) {
	r, w := pipes(t)
	pipe := NewPipe(w)
	sent := bytes.Repeat([]byte("0123456789"), 50_000)
	got := make(chan []byte, 1)
	go func() {
		all := make([]byte, len(sent))
		_, _ = io.ReadFull(r, all) // what is missing is seen below
		got <- all
	}()
	if n, err := pipe.Write(sent); n != len(sent) || err != nil {
		t.Errorf("wrote %d of %d: %v", n, len(sent), err)
	}
	if !bytes.Equal(<-got, sent) {
		t.Error("something else arrived")
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := pipe.Write([]byte("x")); err == nil {
		t.Error("wrote to nobody")
	}
	if err := pipe.Close(); err != nil {
		t.Error(err)
	}
	if _, err := w.Write([]byte("x")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("the end that was given is left open: %v", err)
	}
}

func TestOnlyAPipeIsOne(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "file"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	if NewPipe(file) != nil {
		t.Error("a file is taken for a pipe")
	}
}
