package line_test

import (
	"errors"
	"strings"
	"testing"

	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/line/linetest"
	"lamplighter/proto/setup"
)

func TestDriveReadsBack(t *testing.T) {
	l := linetest.New(nil)
	if err := line.Drive(l, true); err != nil || !l.Is() {
		t.Fatal(err)
	}
	l.Stick(true)
	err := line.Drive(l, false)
	if !errors.Is(err, line.ErrReadBack) || err.Error() != "it is not as it was set: active, and it should be inactive" {
		t.Errorf("%v", err)
	}
	broken := errors.New("broken")
	l.Fail(broken)
	if err := line.Drive(l, false); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
	if err := line.Confirm(l, false); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}

func TestNoSuchLine(t *testing.T) {
	missing := setup.Line{Chip: "gpiochip999", Line: 3, Active: "low"}
	_, out := line.OpenOutput(missing)
	_, in := line.OpenInput(missing)
	_, guard := line.OpenGuard(missing)
	for _, err := range []error{out, in, guard} {
		if err == nil || !strings.HasPrefix(err.Error(), "line 3 of gpiochip999 can't be taken: ") {
			t.Errorf("%v", err)
		}
	}
}
