package main

import (
	"fmt"
	"io"
	"strings"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
)

// explain prints what a beacon gets in a plan and what keeps it from more.
func explain(w io.Writer, in planner.Input, made *plan.Plan, beacon string) error {
	e, err := planner.Explain(in, made, beacon)
	if err != nil {
		return planningFault(err)
	}
	var text strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&text, format+"\n", args...) }
	line("%s can use one of its bands in %s, wants %d and gets %d%s.", e.Beacon, slots(e.Open), e.Wanted, e.Granted, percentOf(e.Granted, e.Wanted))
	explainBinding(line, e)
	if len(e.Sharing) > 0 {
		line("At the same site:")
	}
	for _, s := range e.Sharing {
		line("  %s wants %d and gets %d%s.", s.Beacon, s.Wanted, s.Granted, percentOf(s.Granted, s.Wanted))
	}
	if len(e.Closed) > 0 {
		line("Bands that it can't use at all:")
	}
	for _, band := range e.Closed {
		line("  %s.", band)
	}
	_, err = io.WriteString(w, text.String())
	return err
}

// explainBinding says what keeps a beacon from more.
func explainBinding(line func(string, ...any), e planner.Explanation) {
	switch {
	case e.Open == 0:
		line("It has no slot that it may use.")
		return
	case e.Granted >= e.Wanted:
		line("Nothing is short: it gets all that it wants.")
		return
	case len(e.Binding) == 0:
		line("It already uses every slot that is open to it.")
		return
	}
	line("What keeps it from more, the most important first:")
	for _, b := range e.Binding {
		alone := "none"
		if b.Alone > 0 {
			alone = fmt.Sprint(b.Alone)
		}
		line("  %s. It stands in the way in %s; if only this were lifted, %s of them would be free.", b.Sentence, slots(b.Slots), alone)
	}
}

func slots(n int) string {
	if n == 1 {
		return "1 slot"
	}
	return fmt.Sprintf("%d slots", n)
}

// percentOf is a part in brackets, nothing where there is no whole.
func percentOf(part, whole int) string {
	if whole == 0 {
		return ""
	}
	return " (" + percent(part, whole) + " %)"
}

// percent is a part of a whole, "" where there is no whole.
func percent(part, whole int) string {
	if whole == 0 {
		return ""
	}
	return fmt.Sprintf("%.1f", 100*float64(part)/float64(whole))
}
