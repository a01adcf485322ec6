package wspr_test

import (
	"fmt"

	"lamplighter/proto/onair/wspr"
)

func ExampleTransmissions() {
	messages, err := wspr.Transmissions("Q1ABC", "JO62QM", 30)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, m := range messages {
		symbols, err := m.Symbols()
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(m, symbols[:8])
	}
	_, err = wspr.Transmissions("Q1ABC/P", "JO62", 30)
	fmt.Println(err)
	// Output:
	// Q1ABC JO62 30 [3 3 0 2 2 2 2 0]
	// <Q1ABC> JO62QM 30 [3 1 2 0 0 0 0 2]
	// locator "JO62" is too short: this message carries six characters, and a call sign with '/' has its locator only in such a one; give six, such as JO62QM
}

func ExampleUnpack() {
	m, err := wspr.Unpack(wspr.Bits{0xa3, 0x5b, 0xb1, 0x75, 0x50, 0xc8, 0x40})
	fmt.Println(m, err, m.Hash == wspr.Hash("Q1ABC"))
	// Output: <10886> JO62QM 30 <nil> true
}

func ExampleToneHz() {
	fmt.Printf("%.3f Hz\n", wspr.ToneHz(7040100, 3))
	// Output: 7040102.197 Hz
}
