//go:build ignore

// Generate copies the zone database that comes with the Go toolchain, and the
// name of its IANA release, into this folder.
package main

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

func main() {
	if err := generate(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func generate() error {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return err
	}
	folder := filepath.Join(strings.TrimSpace(string(root)), "lib", "time")
	script, err := os.ReadFile(filepath.Join(folder, "update.bash"))
	if err != nil {
		return err
	}
	release := regexp.MustCompile(`(?m)^DATA=(\d{4}[a-z]+)$`).FindSubmatch(script)
	if release == nil {
		return fmt.Errorf("%s does not name a release", folder)
	}
	packed, err := pack(filepath.Join(folder, "zoneinfo.zip"))
	if err != nil {
		return err
	}
	if err := os.WriteFile("release.txt", append(release[1], '\n'), 0o644); err != nil {
		return err
	}
	return os.WriteFile("zones.zip", packed, 0o644)
}

// pack returns the entries of the archive in order of name, compressed and
// without times, so that the same database gives the same bytes.
func pack(name string) ([]byte, error) {
	archive, err := zip.OpenReader(name)
	if err != nil {
		return nil, err
	}
	defer archive.Close()
	slices.SortFunc(archive.File, func(a, b *zip.File) int { return strings.Compare(a.Name, b.Name) })
	var out bytes.Buffer
	writer := zip.NewWriter(&out)
	writer.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) {
		return flate.NewWriter(w, flate.BestCompression)
	})
	for _, file := range archive.File {
		if strings.HasSuffix(file.Name, "/") {
			continue
		}
		if err := copyEntry(writer, file); err != nil {
			return nil, err
		}
	}
	if err := writer.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func copyEntry(writer *zip.Writer, file *zip.File) error {
	source, err := file.Open()
	if err != nil {
		return err
	}
	defer source.Close()
	target, err := writer.CreateHeader(&zip.FileHeader{Name: file.Name, Method: zip.Deflate})
	if err != nil {
		return err
	}
	_, err = io.Copy(target, source)
	return err
}
