package gpsd

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/agent/clock/judge"
)

// The fields are those of gpsd_json(5), gpsd 3.22; TPV and TOFF are as that
// release sent them when example sentences were played to it.
const (
	exampleTPV  = `{"class":"TPV","device":"/dev/pts/1","mode":3,"time":"2026-12-01T12:00:01.000Z","ept":0.005,"lat":48.117300000,"lon":11.516666667,"altHAE":592.3000,"altMSL":545.4000,"alt":545.4000,"eph":24.700,"sep":47.500}`
	exampleNone = `{"class":"TPV","device":"/dev/pts/1","mode":1}`
	exampleTOFF = `{"class":"TOFF","device":"/dev/pts/1","real_sec":1796126401, "real_nsec":0,"clock_sec":1795618324,"clock_nsec":702283891}`
	// The pair of the manual page's example.
	examplePPS = `{"class":"PPS","device":"/dev/ttyU0","real_sec":1330212592, "real_nsec":343182,"clock_sec":1330212592,"clock_nsec":343184,"precision":-2}`
	exampleSKY = `{"class":"SKY","device":"/dev/pts/1","hdop":1.2,"satellites":[{"PRN":23,"el":6,"az":84,"ss":0,"used":false},{"PRN":28,"el":7,"az":160,"ss":43,"used":true},{"PRN":8,"el":66,"az":189,"ss":41,"used":true}]}`
	exampleOSC = `{"class":"OSC","device":"/dev/ttyS0","running":true,"reference":true,"disciplined":true,"delta":67}`
)

func decode(t *testing.T, line string) any {
	t.Helper()
	report, err := Decode([]byte(line))
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	return report
}

// Manual page: 1330212592.000343182 and 1330212592.000343184 are 2 ns apart.
func TestPulsePair(t *testing.T) {
	p := decode(t, examplePPS).(PPS)
	if got := p.Offset(); got != 2*time.Nanosecond {
		t.Errorf("the offset is %v, want +2 ns", got)
	}
	if got := p.Bound(); got != 250*time.Millisecond {
		t.Errorf("a precision of 2^-2 s is %v", got)
	}
}

func TestPrecision(t *testing.T) {
	for precision, want := range map[string]time.Duration{
		`-1`: 500 * time.Millisecond, `-9`: 1953125 * time.Nanosecond, `-10`: time.Millisecond, `-20`: time.Millisecond, `-2000000000`: time.Millisecond, `0`: time.Second, `null`: time.Second,
	} {
		p := decode(t, strings.Replace(examplePPS, `"precision":-2`, `"precision":`+precision, 1)).(PPS)
		if got := p.Bound(); got != want {
			t.Errorf("a precision of %s is %v, want %v", precision, got, want)
		}
	}
}

func TestWhatIsHeard(t *testing.T) {
	at := time.Date(2026, 12, 1, 12, 0, 1, 0, time.UTC)
	with := func(field string) string { return strings.Replace(exampleTPV, `"mode":3`, `"mode":3,`+field, 1) }
	for _, test := range []struct {
		name  string
		lines []string
		want  judge.Event
	}{
		{"a fix", []string{exampleTPV}, judge.Sentence{Time: at, Fix: judge.FixReal}},
		{"a fix whose arrival is known", []string{exampleTOFF, exampleTPV}, judge.Sentence{Time: at, Fix: judge.FixReal, Arrived: time.Unix(1795618324, 702283891).UTC()}},
		{"none", []string{exampleNone}, judge.Sentence{}},
		{"nothing seen yet", []string{`{"class":"TPV","mode":0,"time":"2026-12-01T12:00:01Z"}`}, judge.Sentence{Time: at}},
		{"time without fix: a battery clock", []string{`{"class":"TPV","mode":1,"time":"2026-12-01T12:00:01Z"}`}, judge.Sentence{Time: at}},
		{"differential", []string{with(`"status":2`)}, judge.Sentence{Time: at, Fix: judge.FixReal}},
		{"surveyed, time only", []string{with(`"status":7`)}, judge.Sentence{Time: at, Fix: judge.FixReal}},
		{"dead reckoning", []string{with(`"status":5`)}, judge.Sentence{Time: at, Fix: judge.FixDoubted}},
		{"combined with dead reckoning", []string{with(`"status":6`)}, judge.Sentence{Time: at, Fix: judge.FixDoubted}},
		{"simulated", []string{with(`"status":8`)}, judge.Sentence{Time: at, Fix: judge.FixDoubted}},
		{"satellites counted", []string{exampleSKY}, judge.Satellites{Used: 2}},
		{"satellites said", []string{`{"class":"SKY","uSat":9,"nSat":14}`}, judge.Satellites{Used: 9}},
		{"no satellites said", []string{`{"class":"SKY","hdop":1.0}`}, nil},
		{"a pulse", []string{examplePPS}, judge.Pulse{Real: time.Unix(1330212592, 343182).UTC(), Clock: time.Unix(1330212592, 343184).UTC(), Precision: 250 * time.Millisecond}},
		{"another receiver", []string{exampleTPV, `{"class":"TPV","device":"/dev/pts/2","mode":3}`}, nil},
		{"a class of no use", []string{`{"class":"DEVICES","devices":[]}`}, nil},
		{"the right protocol", []string{`{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}`}, nil},
	} {
		var r Receiver
		var got judge.Event
		for _, line := range test.lines {
			var err error
			if got, err = r.Hear(decode(t, line)); err != nil {
				t.Errorf("%s: %v", test.name, err)
			}
		}
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%s: %s", test.name, diff)
		}
	}
}

func TestOscillatorIsHeard(t *testing.T) {
	var got OSC
	r := Receiver{Oscillator: func(o OSC) { got = o }}
	if _, err := r.Hear(decode(t, exampleOSC)); err != nil || !got.Running || !got.Reference || !got.Disciplined || got.Delta != 67 {
		t.Errorf("%+v (%v)", got, err)
	}
}

func TestRefusals(t *testing.T) {
	for _, line := range []string{`{"class":"VERSION","proto_major":4}`, `{"class":"ERROR","message":"no such command"}`} {
		if _, err := new(Receiver).Hear(decode(t, line)); err == nil {
			t.Errorf("%s is taken", line)
		}
	}
	for _, line := range []string{
		``, `[]`, `{"class":7}`, `{"class":"TPV","mode":"3"}`, `{"class":"TPV","mode":3,"time":"yesterday"}`,
		`{"class":"PPS","real_nsec":1000000000}`, `{"class":"TOFF","real_sec":-1}`, `{"class":"PPS","clock_sec":99999999999}`,
		`{"class":"SKY","x":"` + strings.Repeat("x", MaxLine) + `"}`,
	} {
		if report, err := Decode([]byte(line)); err == nil {
			t.Errorf("%.60s is read as %+v", line, report)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, line := range []string{exampleTPV, exampleNone, exampleTOFF, examplePPS, exampleSKY, exampleOSC} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		report, err := Decode(line)
		if err != nil {
			return
		}
		event, _ := new(Receiver).Hear(report)
		if pulse, ok := event.(judge.Pulse); ok && (pulse.Precision < time.Millisecond || pulse.Precision > time.Second || pulse.Real.Year() > 2300) {
			t.Errorf("%q is %+v", line, pulse)
		}
		if report != nil && !json.Valid(line) {
			t.Errorf("%q is no JSON, and was read as %+v", line, report)
		}
	})
}
