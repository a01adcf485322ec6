// Verdict reads the output of "go test -json" and tells a person how it went:
// a line for each package, everything that a failed test printed, and the
// count. It fails when a test failed, when one was skipped (a test that lacks
// its service must fail), and when none ran.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"sort"
	"strings"
	"time"
)

type event struct {
	Action, Package, Test, Output string
	Elapsed                       float64
}

type test struct{ pkg, name string }

func main() {
	printed := map[test]*strings.Builder{}
	count := map[string]int{}
	var failed, skipped []test
	var slow []string
	lines := bufio.NewScanner(os.Stdin)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var e event
		if json.Unmarshal(lines.Bytes(), &e) != nil || e.Action == "" {
			fmt.Println(lines.Text()) // what the toolchain itself says
			continue
		}
		key := test{e.Package, e.Test}
		switch e.Action {
		case "output", "build-output":
			if printed[key] == nil {
				printed[key] = &strings.Builder{}
			}
			printed[key].WriteString(e.Output)
			if e.Action == "build-output" {
				fmt.Print(e.Output)
			}
		case "pass", "fail", "skip":
			took := time.Duration(e.Elapsed * float64(time.Second)).Round(10 * time.Millisecond)
			if e.Test == "" {
				fmt.Printf("%-5s %s %s\n", e.Action, strings.TrimPrefix(e.Package, "lamplighter/"), took)
				if e.Action == "fail" {
					failed = append(failed, key)
				}
				continue
			}
			count[e.Action]++
			if e.Elapsed > 10 && !strings.Contains(e.Test, "/") {
				slow = append(slow, fmt.Sprintf("%8s %s %s", took, e.Package, e.Test))
			}
			if e.Action == "fail" {
				failed = append(failed, key)
			}
			if e.Action == "skip" {
				skipped = append(skipped, key)
			}
		}
	}
	for _, key := range failed {
		fmt.Printf("\n--- %s %s\n", key.pkg, key.name)
		if printed[key] != nil {
			fmt.Print(printed[key].String())
		}
	}
	for _, key := range skipped {
		fmt.Printf("\nSkipped, and nothing may be: %s %s\n", key.pkg, key.name)
	}
	sort.Sort(sort.Reverse(sort.StringSlice(slow)))
	if len(slow) > 0 {
		fmt.Printf("\nTests over ten seconds:\n%s\n", strings.Join(slow, "\n"))
	}
	fmt.Printf("\n%d passed, %d failed, %d skipped\n", count["pass"], count["fail"], count["skip"])
	if err := lines.Err(); err != nil {
		fmt.Println(err)
	}
	if len(failed)+len(skipped) > 0 || count["pass"] == 0 || lines.Err() != nil {
		os.Exit(1)
	}
}
