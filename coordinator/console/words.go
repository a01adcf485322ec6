package console

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// condition is the state of a beacon in words and as a shape.
type condition struct {
	Shape string // of the lamp
	Words string
	Needs bool // somebody should look at it
}

var conditions = map[apiv1.BeaconState]condition{
	apiv1.BeaconState_BEACON_STATE_NEVER_SEEN: {"never", "never heard", true},
	apiv1.BeaconState_BEACON_STATE_LOST:       {"lost", "lost", true},
	apiv1.BeaconState_BEACON_STATE_LATE:       {"late", "late", true},
	apiv1.BeaconState_BEACON_STATE_ON_AIR:     {"onair", "on the air", false},
	apiv1.BeaconState_BEACON_STATE_HUSHED:     {"hushed", "hushed", false},
	apiv1.BeaconState_BEACON_STATE_MUTE:       {"mute", "mute", true},
	apiv1.BeaconState_BEACON_STATE_READY:      {"ready", "ready", false},
}

// reasons are those of the agent, the keyer and package status, as a person
// says them.
var reasons = map[string]string{
	"no_report": "it has not said yet how it is", "no_lease": "it holds no lease", "off": "it is switched off",
	"stopped": "it was stopped", "keyer_gone": "its keyer is gone", "keyer_silent": "its keyer does not answer",
	"keyer_tripped": "its keyer has tripped and waits to be armed again", "update_needed": "its program is too old for these orders",
	"disk_full": "its disk is full", "no_orders": "it has no orders", "orders_ended": "its orders have ended", "hushed": "it was hushed",
	"clock_unsure": "its clock may be wrong by more than half a second", "clock_unknown": "it does not know how wrong its clock is",
	"clock_stepped": "its clock jumped", "frequency_unsure": "its frequency is less sure than the plan needs",
	"frequency_unknown": "it does not know how sure its frequency is", "late": "it was too late to begin",
	"agent_restarted": "its agent started again", "agent_gone": "its agent was gone", "agent_silent": "its agent did not answer",
	"no_envelope": "it has no licence data", "outside_envelope": "its licence data does not allow it", "not_listed": "its keyer had no such orders",
	"withdrawn": "the orders were withdrawn", "lease_over": "its lease ended", "read_back": "the key line did not read back",
	"watchdog": "its watchdog was not armed", "unkey_failed": "it could not be sure of key-up", "nothing_granted": "nothing was granted",
}

// reason is why, in words.
func reason(code string) string {
	if words, known := reasons[code]; known {
		return words
	}
	return strings.ReplaceAll(code, "_", " ")
}

// hertz writes a frequency with a space at each thousand: 7 040 101.5.
func hertz(hz float64) string {
	whole, part, _ := strings.Cut(fmt.Sprintf("%.1f", hz), ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + " " + whole[i:]
	}
	return whole + "." + part
}

// seconds writes a small time: 3.2 ms.
func seconds(s float64) string {
	switch {
	case s < 1e-3:
		return fmt.Sprintf("%.0f µs", s*1e6)
	case s < 0.01:
		return fmt.Sprintf("%.1f ms", s*1e3)
	case s < 1:
		return fmt.Sprintf("%.0f ms", s*1e3)
	}
	return fmt.Sprintf("%.1f s", s)
}

// roundUp gives a bound two significant digits. It never becomes smaller, and
// while it grows by little it stays.
func roundUp(s float64) float64 {
	if s <= 0 {
		return s
	}
	step := math.Pow(10, math.Floor(math.Log10(s))-1)
	return math.Ceil(s/step-1e-9) * step
}

// length writes how long something lasts: 2 min 40 s.
func length(d time.Duration) string {
	d = d.Round(time.Second)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 10*time.Minute:
		return fmt.Sprintf("%d min %02d s", int(d.Minutes()), int(d.Seconds())%60)
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// zoneWords is a time zone as people call it.
func zoneWords(name string) string {
	if name == "Etc/UTC" {
		return "UTC"
	}
	return name
}

func clockTime(t time.Time) string { return t.UTC().Format("15:04:05") }

func dayTime(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05") }

// machineTime is for attributes that a script reads.
func machineTime(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func percent(part, whole int) string {
	if whole == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100*float64(part)/float64(whole))
}

// The gauge of a clock's error is logarithmic, from a microsecond to ten
// seconds, over a hundred units.
func gauge(s float64) int {
	if s <= 1e-6 {
		return 0
	}
	return min(100, max(0, int(math.Round((math.Log10(s)+6)/7*100))))
}

// stripWords reads out a beacon's next slots.
func stripWords(cells []cell) string {
	var words []string
	for _, c := range cells {
		if c.Band != "" {
			words = append(words, c.Band+" at "+c.Start.Format("15:04:05"))
		}
	}
	if len(words) == 0 {
		return "No transmission in the next slots"
	}
	return "Next slots: " + strings.Join(words, ", ")
}

// number is a number in figures.
func number(n int) string { return strconv.Itoa(n) }
