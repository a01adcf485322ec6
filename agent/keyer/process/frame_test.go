package process

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

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
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _, _ = r.Close(), w.Close() }()
	if polled(r) == r {
		t.Error("a pipe is left as it is")
	}
}
