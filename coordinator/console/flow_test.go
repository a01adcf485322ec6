package console_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"google.golang.org/protobuf/proto"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/band"
)

// TestHushByKeyboard hushes and releases without a mouse, from a page that is
// about something else, and sees keyer by keyer who is silent.
func TestHushByKeyboard(t *testing.T) {
	for _, on := range []screen{desk, phone} {
		t.Run(on.name, func(t *testing.T) {
			t.Parallel()
			s, v := enter(t, "operator", on, "/where")
			v.tabTo(".hushnow")
			v.press(kb.Enter)
			v.says("Hush?")
			v.tabTo("button.loud")
			v.press(kb.Enter)
			v.says("0 of 5 keyers have confirmed silence")
			v.says("take the supply away and hang the tag")
			v.says("By Robin since")
			for i, b := range []string{"hilltop-hf", "mill-a"} {
				s.confirm(b)
				v.says([]string{"1 of 5", "2 of 5"}[i] + " keyers")
			}
			if text := v.text(); !strings.Contains(text, "its lease silences it by 2026-12-01 12:03:21") {
				t.Errorf("of those that have not confirmed it is not said by when they are silent:\n%s", text)
			}
			v.tabTo(`a.button[href^="/release"]`)
			v.press(kb.Enter)
			v.says("Make sure that nobody is at an antenna")
			v.tabTo("#reason")
			v.press("the mast is clear")
			v.press(kb.Enter)
			v.says("The hush is over")
		})
	}
}

// TestHushWhileTheDatabaseIsAway orders silence when nothing else can be had: by
// the fleet as it was read last, and with no more promised than can be known.
func TestHushWhileTheDatabaseIsAway(t *testing.T) {
	t.Parallel()
	s, v := enter(t, "operator", phone, "/where")
	s.away.Store(true)
	v.goTo("/hush?scope=site:mill")
	v.says("Hush?")
	v.await(`document.getElementById("scope").value === "site:mill"`)
	v.click("button.loud")
	v.says("The order went out to 5 beacons ahead of it")
	v.says("have the supply cut of a transmitter that goes on")
	v.picture("hush-ahead-phone-light")
	v.fits("a hush ahead of the database")
	v.axe()
}

// TestLive sees a page change without being loaded again, say since when it is
// old when the coordinator is gone, and say that a session is over.
func TestLive(t *testing.T) {
	t.Parallel()
	s, v := enter(t, "viewer", desk, "/")
	v.await("window.mine = true")
	v.await(`document.querySelector("#lamp-mill-a").classList.contains("is-ready")`)
	v.do(chromedp.Focus(chromedp.CSS("#lamp-mill-a a")))
	s.change("mill-a", func(b *apiv1.Beacon) { b.State = apiv1.BeaconState_BEACON_STATE_LOST })
	v.await(`document.querySelector("#lamp-mill-a").classList.contains("is-lost")`)
	v.says("mill-a, not heard since 12:00:31")
	if !value[bool](v, `window.mine === true && document.activeElement.getAttribute("href") === "/beacon/mill-a"`) {
		t.Error("the page was loaded again, or the focus was lost")
	}

	// A page that has heard nothing for long: its clock is put forward.
	v.await(`(window.real = Date.now, Date.now = () => real() + 30000, EventSource.prototype.addEventListener = () => {}, true)`)
	s.gone.Store(true)
	s.web.CloseClientConnections()
	v.await(`!document.getElementById("cutoff").hidden`)
	v.says("No word from the coordinator since")

	s.gone.Store(false)
	v.goTo("/")
	s.access.leave()
	v.says("your session is over")
}

// TestWithoutScript reads the first page, hushes, and reads the timeline in a
// browser that runs no script.
func TestWithoutScript(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "operator")
	v := visit(t, s, phone, "light")
	v.call(func() error {
		_, err := chromedp.Call(v.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})
	read := func(selector string) string {
		text, err := chromedp.Run(v.ctx, chromedp.TextContent(chromedp.CSS(selector)))
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	v.goTo("/")
	for _, words := range []string{"hilltop-hf", "on the air", "until 12:01:51", "next", "Clock", "within 1.2 ms"} {
		if !strings.Contains(read("main"), words) {
			t.Errorf("the first page does not say %q:\n%s", words, read("main"))
		}
	}
	v.goTo("/timeline")
	if text := read("table.grid"); !strings.Contains(text, "sent") || !strings.Contains(text, "skipped") && !strings.Contains(text, "aborted") {
		t.Errorf("the timeline's table says %s", text)
	}
	v.click(".hushnow")
	v.do(chromedp.WaitVisible(chromedp.CSS("button.loud")))
	v.click("button.loud")
	v.do(chromedp.WaitVisible(chromedp.CSS(".tally")))
	if text := read("main"); !strings.Contains(text, "0 of 5") {
		t.Errorf("after the hush the page says %s", text)
	}
}

// drawn counts the colours of the timeline's picture.
const drawn = `(() => { const c = document.querySelector("canvas"); return new Set(new Uint32Array(c.getContext("2d").getImageData(0, 0, c.width, c.height).data.buffer)).size; })()`

// TestTimeline reads, asks why, moves and zooms, by pointer and by keyboard.
func TestTimeline(t *testing.T) {
	for _, on := range []screen{desk, phone} {
		t.Run(on.name, func(t *testing.T) {
			t.Parallel()
			_, v := enter(t, "viewer", on, "/timeline")
			v.await(drawn + " > 20") // slots in their inks
			v.tabTo(".pane")
			v.press(kb.ArrowRight)
			v.await(`document.getElementById("readout").textContent.includes("harbour-a, 2026-12-01 12:00")`)
			v.press(kb.ArrowDown)
			v.press(kb.ArrowDown)
			v.press(kb.ArrowDown)
			v.await(`document.getElementById("readout").textContent.startsWith("mill-a")`)
			v.press(kb.Enter)
			v.await(`document.querySelector("#why h1") !== null && document.querySelector("#why h1").textContent.startsWith("mill-a, 2026-12-01 12:0")`)
			v.await(`/Not its turn|ordered to send|on the air/.test(document.querySelector("#why").textContent)`)
			for _, zoom := range []string{"10m", "6h", "1d", "1w"} {
				v.await(`(document.querySelector('input[value="` + zoom + `"]').click(), true)`)
				v.await(drawn + " > 8")
			}
			v.press("+")
			v.await(`document.querySelector('input[name="zoom"]:checked').value === "1d"`)
			v.picture("timeline-day-" + on.name + "-light")
		})
	}
}

// TestColourBlind: the pattern alone tells each band from each other, wherever
// either begins, as those see it who see no colours. Pictures are kept as people
// see the timeline who see fewer, or none.
func TestColourBlind(t *testing.T) {
	t.Parallel()
	var bands []string
	for _, b := range band.Standard().All() {
		bands = append(bands, b.Name)
	}
	all := "network: {name: All bands}\nsites: [{name: hill, locator: IN87oa, time_zone: Etc/UTC, transmitters_at_once: 9}]\nbeacons:\n"
	for i, name := range bands {
		all += fmt.Sprintf("  - {name: on-%s, callsign: Q%dABC, site: hill, control: remote, power_dbm: 23, share: 0.3, uncertainty_ppm: 0.001, bands: [%s]}\n", name, i%10, name)
	}
	s := open(t, all, "viewer")
	v := visit(t, s, desk, "light")
	v.goTo("/timeline")
	pairs := value[[]struct {
		Bands  string
		Differ float64
	}](v, `(() => {
		const looks = JSON.parse(document.getElementById("picture").dataset.looks), n = 16;
		const masks = looks.map((look) => {
			const c = new OffscreenCanvas(n, n), pen = c.getContext("2d");
			pen.scale(n / 8, n / 8);
			pen.fill(new Path2D(look.tile));
			return pen.getImageData(0, 0, n, n).data.filter((_, i) => i % 4 === 3).map((a) => (a > 127 ? 1 : 0));
		});
		const pairs = [];
		for (let a = 0; a < masks.length; a++) for (let b = 0; b < a; b++) {
			let least = n * n;
			for (let dx = 0; dx < n; dx++) for (let dy = 0; dy < n; dy++) {
				let differ = 0;
				for (let y = 0; y < n; y++) for (let x = 0; x < n; x++) differ += masks[a][y * n + x] ^ masks[b][((y + dy) % n) * n + ((x + dx) % n)];
				least = Math.min(least, differ);
			}
			pairs.push({ Bands: looks[b].name + " and " + looks[a].name, Differ: least / n / n });
		}
		return pairs.sort((a, b) => a.Differ - b.Differ);
	})()`)
	if len(pairs) != len(bands)*(len(bands)-1)/2 {
		t.Fatalf("%d pairs of %d bands were compared", len(pairs), len(bands))
	}
	t.Logf("most alike are the patterns of %v", pairs[:8])
	if pairs[0].Differ < 0.18 {
		t.Errorf("the patterns of %s differ in %.0f %% of their area", pairs[0].Bands, 100*pairs[0].Differ)
	}
	if os.Getenv("LAMPLIGHTER_PICTURES") == "" {
		return
	}
	for _, zoom := range []string{"1h", "1w"} {
		v.goTo("/timeline?zoom=" + zoom)
		v.await(drawn + " > 20")
		for _, sees := range []emulation.SetEmulatedVisionDeficiencyType{
			emulation.SetEmulatedVisionDeficiencyTypeProtanopia, emulation.SetEmulatedVisionDeficiencyTypeDeuteranopia,
			emulation.SetEmulatedVisionDeficiencyTypeTritanopia, emulation.SetEmulatedVisionDeficiencyTypeAchromatopsia,
		} {
			v.call(func() error {
				_, err := chromedp.Call(v.ctx, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: sees})
				return err
			})
			v.picture("timeline-" + zoom + "-" + string(sees))
		}
	}
}

// TestWhyNot asks for a slot of another beacon of a site with one transmitter:
// the planner's own rule is the answer.
func TestWhyNot(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "viewer")
	v := visit(t, s, desk, "light")
	var taken string
	for _, x := range s.plan.Transmissions {
		if x.Beacon == "mill-a" && x.Start.After(began) {
			taken = x.Start.Format("2006-01-02T15:04:05Z")
			break
		}
	}
	v.goTo("/why?beacon=mill-b&at=" + taken)
	v.says("Not its turn.")
	v.says("Site mill: one transmitter at once, shared by 2 beacons.")
	v.says("At mill in this slot: mill-a on")
}

// TestBeacon reads what stands of a beacon: notes, certificate, program, alerts
// of its own and no others, and where it was heard, which comes by itself.
func TestBeacon(t *testing.T) {
	t.Parallel()
	s := busy(t, "operator")
	v := visit(t, s, desk, "light")
	v.goTo("/beacon/hilltop-hf")
	v.says("The feed line is 40 m long and was new in May.")
	v.says("good until 2026-12-10 12:00:31, which is near")
	v.says("a device was enrolled")
	v.says("1.2.0")
	v.says("210 reports by 12 receivers")
	if text := v.text(); strings.Contains(text, "two devices use one identity") || strings.Contains(text, "clock unsure") {
		t.Errorf("what is another beacon's stands here:\n%s", text)
	}
	v.goTo("/beacon/mill-b")
	v.says("1 alert is open")
	v.says("none: no device was let in for it")
	v.click(`nav[aria-label="Another stretch of time"] a`)
	v.says("now from 2026-11-30 18:00")
}

// TestBeaconCharts reads charts out by keyboard and finds their values in the
// table behind.
func TestBeaconCharts(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "viewer")
	v := visit(t, s, phone, "dark")
	v.goTo("/beacon/hilltop-hf")
	v.tabTo("#chart-clock svg")
	v.press(kb.Home)
	v.await(`document.querySelector("#chart-clock .value").textContent.startsWith("1.1 ms at 2026-11-30")`)
	v.await(`(document.querySelector("#chart-clock details").open = true, document.querySelectorAll("#chart-clock tbody tr").length > 50)`)
	v.await(`document.querySelector("#chart-clock .shade") !== null`)
	v.tabTo("#chart-clock svg")
	v.press("+") // closer around the first value
	v.says("now from 2026-11-30 12:00")
	v.goTo("/beacon/hilltop-hf?from=2026-12-01T00:00:00Z&to=2026-12-01T06:00:00Z")
	v.says("now from 2026-12-01 00:00:00 to 2026-12-01 06:00:00")
	v.goTo("/beacon/hilltop-hf?from=tomorrow")
	v.says("Write a time as 2026-12-01T00:04:00Z")
}

// TestChangeTogether lets two people change the fleet at once. Whoever comes
// second loses nothing, sees both texts, and can go on.
func TestChangeTogether(t *testing.T) {
	t.Parallel()
	s, v := enter(t, "admin", desk, "/plan/edit")
	write := func(old, replacement string) {
		v.await(`(() => { const y = document.getElementById("yaml"); y.value = y.value.replace(` + "`" + old + "`, `" + replacement + "`" + `); return true; })()`)
	}
	write("share: 0.25", "share: one")
	v.click(`main form button[type=submit]`)
	v.says("That can't be right")
	v.says("Line 11, column 94: share must be a number") // of harbour-a
	write("share: one", "share: 0.5")
	v.click(`main form button[type=submit]`)
	v.says("beacon harbour-a: share 0.25 -> 0.5")
	v.await(`[...document.querySelectorAll("#difference tr")].some((r) => r.innerText.includes("harbour-a") && r.innerText.includes("180 of 180") && r.innerText.includes("360 of 360") && r.innerText.includes("+180"))`)

	s.put(t, strings.Replace(valley, "share: 0.4", "share: 0.35", 1)) // Kim was first
	v.click(`button[formaction="/plan/apply"]`)
	v.says("Somebody else was first")
	v.says("Kim put version 2 in force")
	if !value[bool](v, `document.getElementById("yaml").value.includes("share: 0.5") && document.getElementById("theirs").value.includes("share: 0.35")`) {
		t.Error("one of the two texts is lost")
	}
	v.picture("conflict-desk-light")
	v.axe()
	write("share: 0.4", "share: 0.35")
	v.click(`input[name=seen]`)
	v.click(`main form button[type=submit]`)
	v.says("beacon harbour-a: share 0.25 -> 0.5")
	v.picture("tried-desk-light")
	v.click(`button[formaction="/plan/apply"]`)
	v.await(`location.search === "?applied=1"`)
	s.mu.Lock()
	defer s.mu.Unlock()
	if yaml := s.file.GetYaml(); !strings.Contains(yaml, "share: 0.5") || !strings.Contains(yaml, "share: 0.35") || s.file.GetVersion() != 3 {
		t.Errorf("in force is version %d:\n%s", s.file.GetVersion(), yaml)
	}
}

// TestFirstHour goes from an empty installation to the first transmission.
func TestFirstHour(t *testing.T) {
	t.Parallel()
	s := open(t, "", "admin")
	v := visit(t, s, phone, "light")
	v.goTo("/")
	v.says("6 steps to go")
	v.picture("empty-phone-light")
	fill := func(answers ...string) {
		for i := 0; i < len(answers); i += 2 {
			v.await(`document.getElementById("f-` + answers[i] + `") !== null && (document.getElementById("f-` + answers[i] + `").value = "` + answers[i+1] + `") !== null`)
		}
		v.click(`button[value="see"]`)
		v.says("Everybody's airtime")
		v.click(`button[value="apply"]`)
		v.says("is in force. The plan follows")
	}
	v.click(`a[href="/plan/network"]`)
	fill("name", "Tern Valley")
	v.goTo("/start")
	v.says("5 steps to go")
	v.click(`a[href="/plan/site"]`)
	fill("name", "hilltop", "locator", "IN87oa")
	v.goTo("/start")
	v.says("4 steps to go")
	v.click(`a[href="/plan/beacon"]`)
	fill("name", "hilltop-hf", "callsign", "Q0TRN", "site", "hilltop", "control", "remote", "power_dbm", "23", "licence-max_power_dbm", "30", "share", "0.2", "bands-0-name", "40m")
	if got := s.yaml(); got != "network: {name: Tern Valley}\nsites:\n  - {name: hilltop, locator: IN87oa}\nbeacons:\n  - name: hilltop-hf\n    callsign: Q0TRN\n    site: hilltop\n    control: remote\n    power_dbm: 23\n    licence: {max_power_dbm: 30}\n    share: 0.2\n    bands: [40m]\n" {
		t.Errorf("the file is\n%s", got)
	}
	s.change("hilltop-hf", func(b *apiv1.Beacon) {
		proto.Reset(b)
		b.Site, b.Beacon, b.State = "hilltop", "hilltop-hf", apiv1.BeaconState_BEACON_STATE_NEVER_SEEN
	})
	v.goTo("/start")
	v.says("3 steps to go")
	v.says("hilltop-hf, not heard yet")
	v.click(`.steps a[href="/enrol/hilltop-hf"]`)
	v.says("You get a token that works once and for a day")
	v.click("main form button")
	v.says("This coordinator lets no devices in: start it with --tls")
	v.await(`document.querySelector('a[href="/start/agent/hilltop-hf"]') !== null`)
	s.lets("hilltop-hf")
	v.click("main form button")
	v.says("amber-quay-lantern")
	v.says("lamplighter-agent enrol --coordinator 192.0.2.9:7642 --config hilltop-hf.yaml")
	v.axe()
	v.picture("token-phone-light")
	v.goTo("/start")
	s.change("hilltop-hf", func(b *apiv1.Beacon) { b.LastSeen = s.file.GetAppliedAt() })
	v.says("2 steps to go")
	s.change("hilltop-hf", func(b *apiv1.Beacon) { b.OrdersRevision = proto.String("7.1") })
	v.says("1 step to go")
	s.change("hilltop-hf", func(b *apiv1.Beacon) { b.OnAir = proto.Bool(true) })
	v.says("Everything works")
}

// TestClubRoom shows one scene after the other and stops where it is told to.
func TestClubRoom(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "viewer")
	v := visit(t, s, desk, "dark")
	v.goTo("/club")
	v.await(`document.querySelectorAll(".scene:not([hidden])").length === 1`)
	v.click("#hold")
	v.says("Go on")
}
