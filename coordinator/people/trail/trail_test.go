package trail

import (
	"encoding/hex"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func chain(n int) []Entry {
	var entries []Entry
	number, digest := int64(0), First()
	for i := range n {
		e := Entry{At: time.Unix(int64(i), 1500), Person: "ada", From: "192.0.2.1", Via: "token", Action: "hush", Outcome: Done, Details: fmt.Sprintf(`{"n":%d}`, i)}
		e = e.After(number, digest)
		entries = append(entries, e)
		number, digest = e.Number, e.Digest
	}
	return entries
}

func check(entries []Entry) (int64, Reason) {
	var c Checker
	for _, e := range entries {
		if reason := c.Next(e); reason != Whole {
			return e.Number, reason
		}
	}
	return c.Count, Whole
}

func TestAWholeChain(t *testing.T) {
	if n, reason := check(chain(50)); n != 50 || reason != Whole {
		t.Errorf("%d, %q", n, reason)
	}
}

// Whatever is changed, somewhere in the chain it shows.
func TestEveryChangeShows(t *testing.T) {
	changes := map[string]func(e *Entry){
		"number": func(e *Entry) { e.Number++ }, "time": func(e *Entry) { e.At = e.At.Add(time.Microsecond) },
		"person": func(e *Entry) { e.Person = "bob" }, "address": func(e *Entry) { e.From = "" },
		"via": func(e *Entry) { e.Via += "x" }, "action": func(e *Entry) { e.Action = "release" },
		"site": func(e *Entry) { e.Site = "mill" }, "outcome": func(e *Entry) { e.Outcome = Refused },
		"details": func(e *Entry) { e.Details += " " }, "previous": func(e *Entry) { e.Previous = make([]byte, 31) },
		"digest": func(e *Entry) { e.Digest = First() },
		// What stands at the end of one field moves to the next.
		"border":               func(e *Entry) { e.Person, e.From = e.Person+e.From[:1], e.From[1:] },
		"changed and resealed": func(e *Entry) { e.Person = "bob"; e.Digest = e.Sum() },
	}
	for name, change := range changes {
		for at := range 9 {
			entries := chain(10)
			change(&entries[at])
			if _, reason := check(entries); reason == Whole {
				t.Errorf("%s of entry %d: not seen", name, at+1)
			}
		}
	}
	entries := chain(10)
	if _, reason := check(append(entries[:4:4], entries[5:]...)); reason != Gap {
		t.Errorf("an entry that is gone: %q", reason)
	}
}

func TestSumsAreNeverAlike(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringN(0, 4, 8)
		a := Entry{Person: text.Draw(t, "a"), From: text.Draw(t, "b"), Details: text.Draw(t, "c")}
		b := Entry{Person: text.Draw(t, "d"), From: text.Draw(t, "e"), Details: text.Draw(t, "f")}
		same := a.Person == b.Person && a.From == b.From && a.Details == b.Details
		if (string(a.Sum()) == string(b.Sum())) != same {
			t.Fatalf("%+v and %+v", a, b)
		}
	})
}

// The digest was worked out apart from this code, with Python's struct and
// hashlib: for each field struct.pack(">Q", len(f)) + f, the numbers as ">q".
func TestTheSumIsTheOneThatIsDescribed(t *testing.T) {
	e := Entry{
		Number: 7, At: time.Unix(1796126400, 250000000), Person: "ada", From: "192.0.2.1", Via: "token",
		Action: "hush", Site: "hilltop", Outcome: Done, Details: "{}", Previous: First(),
	}
	const want = "a813093a9d4fa95ffe9cbb4aecd1cc127f9997c450d41f1fd33de9bf772b3169"
	if got := hex.EncodeToString(e.Sum()); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
