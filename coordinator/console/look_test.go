package console

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/band"
)

// TestBandsAreToldApart: no two standard bands have the same pattern, and
// neighbours differ in ink too.
func TestBandsAreToldApart(t *testing.T) {
	tile, before := map[string]string{}, bandLook{Ink: -1}
	for _, b := range band.Standard().All() {
		l := look(b.Name)
		if other, taken := tile[l.Tile]; taken {
			t.Errorf("%s and %s have one pattern", b.Name, other)
		}
		if l.Ink == before.Ink {
			t.Errorf("%s and %s have one ink", b.Name, before.Name)
		}
		tile[l.Tile], before = b.Name, l
	}
	if a, b := look("23cm"), look("23cm"); a != b || a.Tile == "" {
		t.Error("a band of a network's own has no look that stays")
	}
}

// TestInksCanBeRead: each ink stands out from the ground of its tile by 3 to 1
// (WCAG 2.2, 1.4.11), by day and by night.
func TestInksCanBeRead(t *testing.T) {
	css, err := os.ReadFile("assets/console.css")
	if err != nil {
		t.Fatal(err)
	}
	day, night, found := strings.Cut(string(css), "@media (prefers-color-scheme: dark)")
	if !found {
		t.Fatal("the style sheet has no night")
	}
	for name, sheet := range map[string]string{"day": day, "night": night[:strings.Index(night, "\n}\n")]} {
		ground := luminance(t, sheet, "--tile")
		for i := range inks {
			ink := luminance(t, sheet, fmt.Sprintf("--ink%d", i))
			if contrast := (max(ink, ground) + 0.05) / (min(ink, ground) + 0.05); contrast < 3 {
				t.Errorf("ink %d by %s has a contrast of %.1f", i, name, contrast)
			}
		}
	}
}

// TestFocusCanBeSeen: the ring around what has the focus stands out from what it
// stands on by 3 to 1 (WCAG 2.2, 1.4.11), by day and by night.
func TestFocusCanBeSeen(t *testing.T) {
	css, err := os.ReadFile("assets/console.css")
	if err != nil {
		t.Fatal(err)
	}
	day, night, _ := strings.Cut(string(css), "@media (prefers-color-scheme: dark)")
	flame := luminance(t, day, "--flame") // the same by night
	for name, sheet := range map[string]string{"day": day, "night": night[:strings.Index(night, "\n}\n")]} {
		for ground, ring := range map[string]float64{"--paper": luminance(t, sheet, "--flame-ink"), "--sheet": luminance(t, sheet, "--flame-ink"), "--wrong-ground": luminance(t, sheet, "--flame-ink"), "--night": flame} {
			if on := luminance(t, sheet, ground); (max(ring, on)+0.05)/(min(ring, on)+0.05) < 3 {
				t.Errorf("the ring on %s by %s has a contrast of %.1f", ground, name, (max(ring, on)+0.05)/(min(ring, on)+0.05))
			}
		}
	}
}

// luminance is the relative luminance of a colour (WCAG 2.2, "relative
// luminance").
func luminance(t *testing.T, sheet, name string) float64 {
	t.Helper()
	found := regexp.MustCompile(name + `: #([0-9a-f]{6});`).FindStringSubmatch(sheet)
	if found == nil {
		t.Fatalf("the style sheet has no %s", name)
	}
	var r, g, b int
	if _, err := fmt.Sscanf(found[1], "%02x%02x%02x", &r, &g, &b); err != nil {
		t.Fatal(err)
	}
	linear := func(c int) float64 {
		if v := float64(c) / 255; v > 0.04045 {
			return math.Pow((v+0.055)/1.055, 2.4)
		}
		return float64(c) / 255 / 12.92
	}
	return 0.2126*linear(r) + 0.7152*linear(g) + 0.0722*linear(b)
}

// TestWords: what people read of sizes and times.
func TestWords(t *testing.T) {
	for got, want := range map[string]string{
		hertz(7040101.5): "7 040 101.5", hertz(475700): "475 700.0",
		seconds(0.0000234): "23 µs", seconds(0.0012): "1.2 ms", seconds(0.73): "730 ms", seconds(2.5): "2.5 s",
		reason("no_lease"): "it holds no lease", reason("brand_new_reason"): "brand new reason",
		capital("say why"): "Say why.",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if low, limit, high := gauge(1e-7), gauge(clockLimit), gauge(100); low != 0 || limit != 81 || high != 100 {
		t.Errorf("the gauge shows %d, %d, %d; its notch stands at 81", low, limit, high)
	}
}

// TestDeeds: whatever changes something stands in the trail in words.
func TestDeeds(t *testing.T) {
	looks := regexp.MustCompile("^(Get|List|Watch|Diff|Verify|Propose|Who)")
	protoregistry.GlobalFiles.RangeFilesByPackage("lamplighter.api.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for k := range service.Methods().Len() {
				name := string(service.Methods().Get(k).Name())
				if got := deed(&apiv1.TrailEntry{Action: string(service.Name()) + "/" + name, Outcome: "done"}); strings.Contains(got, "recorded as") && !looks.MatchString(name) {
					t.Errorf("%s/%s is told as %q", service.Name(), name, got)
				}
			}
		}
		return true
	})
	for want, e := range map[string]*apiv1.TrailEntry{
		"ordered silence": {Action: "HushService/Hush", Outcome: "done"},
		"asked to order silence (mill-a): mast work":                           {Action: "HushService/Hush", Outcome: "asked", Details: `{"request":{"scope":{"beacon":"mill-a"},"reason":"mast work"}}`},
		"asked to release a hush, and may not":                                 {Action: "HushService/Release", Outcome: "refused", Details: `{"reason":"other_site"}`},
		"asked to put a fleet file in force, and it failed: the file is empty": {Action: "FleetService/ApplyFleet", Outcome: "failed", Details: `{"error":{"sentence":"the file is empty."}}`},
		"asked to sign in, and it failed: the name or the password is wrong":   {Action: "log in", Outcome: "failed", Details: `{"sentence":"the name or the password is wrong","name":"kim"}`},
		"was asked to take duty":                                               {Action: "asked to take duty", Outcome: "asked", Details: "{}"},
		"did what is recorded as “climb the mast”: done":                       {Action: "climb the mast", Outcome: "done", Details: "no JSON"},
	} {
		if got := deed(e); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for rule, want := range map[string]string{
		"FREQ=WEEKLY;BYDAY=MO,FR": "every week on Monday, Friday", "FREQ=DAILY": "every day",
		"FREQ=MONTHLY;BYDAY=1SU": "FREQ=MONTHLY;BYDAY=1SU", "FREQ=DAILY;INTERVAL=2": "FREQ=DAILY;INTERVAL=2",
	} {
		if got := again(rule); got != want {
			t.Errorf("%s is told as %q, want %q", rule, got, want)
		}
	}
}

// TestToneStave draws one dash a symbol on the line of its tone, tone 0 lowest.
func TestToneStave(t *testing.T) {
	if got, want := tonePath([]byte{3, 3, 0, 2}), "M0 0.5h1h1M2 3.5h1M3 1.5h1"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
