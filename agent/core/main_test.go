package core_test

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// An ordinary run draws the same cases each time, so that a change is judged by
// what it changes; .ci/long, which asks for another number of cases, draws new
// ones.
func TestMain(m *testing.M) {
	flag.Parse()
	if flag.Lookup("rapid.checks").Value.String() == "100" {
		if err := flag.Set("rapid.seed", "1"); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}
