package slot_test

import (
	"fmt"
	"time"

	"lamplighter/proto/onair/slot"
)

func ExampleLength_At() {
	l := slot.Standard
	n := l.At(time.Date(2026, 12, 1, 0, 5, 30, 0, time.UTC))
	fmt.Println(n, l.Start(n).Format(time.TimeOnly), l.End(n).Format(time.TimeOnly))
	// Output: 14967362 00:04:00 00:06:00
}

func ExampleTiming() {
	timing := slot.Standard.Timing()
	fmt.Println(timing.StartOffset(), timing.SymbolStart(1), timing.End())
	// Output: 1s 1.682666667s 1m51.592s
}
