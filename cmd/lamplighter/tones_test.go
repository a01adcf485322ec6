package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// The symbols are those of the developer examples that package wspr is held to,
// made from the public protocol notes named there.
func TestTonesPrintsPublishedSymbols(t *testing.T) {
	text, err := os.ReadFile("../../proto/onair/wspr/testdata/wspr-examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var examples struct {
		Vectors []struct {
			Type     int    `json:"type"`
			Call     string `json:"call"`
			Grid     string `json:"grid"`
			PowerDBm int    `json:"power_dbm"`
			Symbols  string `json:"symbols"`
		} `json:"vectors"`
	}
	if err := json.Unmarshal(text, &examples); err != nil {
		t.Fatal(err)
	}
	tried := map[int]int{}
	for _, v := range examples.Vectors {
		// A type 1 is a line of its own; a type 2 is the first of a pair, whatever
		// its second says; a type 3 is the second.
		grid, line, lines := v.Grid, 0, 2
		switch v.Type {
		case 1:
			lines = 1
		case 2:
			grid = "JO62QM"
		case 3:
			line = 1
		}
		got := lamplighter(t, "tones", v.Call, grid, fmt.Sprint(v.PowerDBm))
		printed := strings.Split(strings.TrimSuffix(got.stdout, "\n"), "\n")
		if got.code != 0 || len(printed) != lines {
			t.Errorf("%s %s %d: exit %d, %d lines, want %d; said %q", v.Call, grid, v.PowerDBm, got.code, len(printed), lines, got.stderr)
			continue
		}
		if want := strings.Join(strings.Split(v.Symbols, ""), " "); printed[line] != want {
			t.Errorf("%s %s %d, line %d:\n got %s\nwant %s", v.Call, grid, v.PowerDBm, line+1, printed[line], want)
		}
		tried[v.Type]++
	}
	for kind := 1; kind <= 3; kind++ {
		if tried[kind] == 0 {
			t.Errorf("no example of type %d was tried", kind)
		}
	}
}
