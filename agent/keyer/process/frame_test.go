package process

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A pipe from another process blocks. That of the keyer is polled all the same,
// and still ends when its other end is closed.
func TestAPipeIsPolled(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	r.Fd() // makes it block, as starting a process does
	pipe, isFile := polled(r).(*os.File)
	if !isFile || pipe == r {
		t.Fatal("the pipe is not polled")
	}
	defer func() { _ = pipe.Close() }()
	if err := pipe.SetReadDeadline(time.Now()); err != nil {
		t.Fatalf("the pipe is not polled: %v", err)
	}
	if n, err := pipe.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("read %d bytes of none: %v", n, err)
	}
	if err := pipe.SetReadDeadline(time.Time{}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.WriteString("word"); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 8)
	if n, err := pipe.Read(got); string(got[:n]) != "word" || err != nil {
		t.Errorf("%q, %v", got[:n], err)
	}
	if n, err := pipe.Read(got); n != 0 || err == nil {
		t.Errorf("%d bytes after the end, %v", n, err)
	}
}

func TestOnlyAPipeIsPolled(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "file"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	if polled(file) != file {
		t.Error("a file is not left as it is")
	}
	if text := strings.NewReader("x"); polled(text) != text {
		t.Error("a reader is not left as it is")
	}
}
