package console_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"lamplighter/proto/peertest"
)

// patience is how long a test waits for what should be there at once.
const patience = 3 * time.Minute

// The screens that pages are looked at on.
var (
	desk  = screen{"desk", 1280, 900}
	phone = screen{"phone", 390, 844}
)

type screen struct {
	name       string
	wide, high int64
}

// browser is one real browser for all tests of the process.
var browser = sync.OnceValues(func() (context.Context, error) {
	ctx, _ := chromedp.NewContext(context.Background(), chromedp.WithAllocatorOptions( //nolint:govet // ends with the process
		chromedp.Headless, chromedp.NoSandbox, chromedp.NoFirstRun, chromedp.DisableGPU, chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.WSURLReadTimeout(patience)))
	return ctx, chromedp.Do(ctx)
})

// tab is a tab of the browser, on a stage.
type tab struct {
	t     testing.TB
	ctx   context.Context
	stage *stage

	mu       sync.Mutex
	complain []string // of scripts
	hosts    map[string]bool
}

// enter opens the valley for a person of a role, and a page of it by day.
func enter(t testing.TB, role string, on screen, path string) (*stage, *tab) {
	t.Helper()
	s := open(t, valley, role)
	v := visit(t, s, on, "light")
	v.goTo(path)
	return s, v
}

// visit opens a tab that notes what its pages load and complain of. At the end
// there must be no complaint, and nothing from another host.
func visit(t testing.TB, s *stage, on screen, scheme string) *tab {
	t.Helper()
	peertest.Find(t, "chromium")
	first, err := browser()
	if err != nil {
		t.Fatal("the browser does not start:", err)
	}
	v := &tab{t: t, stage: s, hosts: map[string]bool{}}
	ctx, leave := chromedp.NewContext(first, chromedp.WithNewBrowserContext())
	v.ctx = ctx
	// The tab lives as long as the context of its first step, so that one has
	// no patience of its own.
	v.call(func() error { return chromedp.Do(ctx, chromedp.EmulateViewport(on.wide, on.high)) })
	var listening sync.WaitGroup
	t.Cleanup(func() {
		leave()
		listening.Wait()
		v.judge()
	})
	console, requests := chromedp.Console(ctx), chromedp.Events(ctx, network.RequestWillBeSent)
	listening.Go(func() { v.listenConsole(console) })
	listening.Go(func() { v.listenRequests(requests) })
	v.call(func() error {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
			{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"},
		}})
		return err
	})
	return v
}

func (v *tab) listenConsole(messages iter.Seq2[chromedp.ConsoleMessage, error]) {
	for message, err := range messages {
		if err != nil {
			return
		}
		// As the test wanted: a page that is refused, a connection that is cut.
		refused := strings.Contains(message.String(), "the server responded with a status of 4") || strings.Contains(message.String(), "net::ERR_")
		if message.IsException() || strings.Contains(message.String(), "error") && !refused {
			v.mu.Lock()
			v.complain = append(v.complain, message.String())
			v.mu.Unlock()
		}
	}
}

func (v *tab) listenRequests(requests iter.Seq2[network.EventRequestWillBeSent, error]) {
	for request, err := range requests {
		if err != nil {
			return
		}
		if at, err := url.Parse(request.Request.URL); err == nil && at.Host != "" {
			v.mu.Lock()
			v.hosts[at.Host] = true
			v.mu.Unlock()
		}
	}
}

// judge fails the test for what its pages did wrong.
func (v *tab) judge() {
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, complaint := range v.complain {
		v.t.Errorf("a script complains: %s", complaint)
	}
	own, _ := url.Parse(v.stage.url)
	for host := range v.hosts {
		if host != own.Host {
			v.t.Errorf("something was loaded from %s", host)
		}
	}
}

func (v *tab) call(do func() error) {
	v.t.Helper()
	if err := do(); err != nil {
		v.t.Fatal(err)
	}
}

// do takes steps, each once. A step that looked for its node in a page that was
// just being replaced did nothing yet, and looks again in the page that came.
func (v *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	for _, step := range steps {
		v.call(func() error {
			for {
				err := chromedp.Do(ctx, step)
				if !replaced(err) || ctx.Err() != nil {
					return err
				}
			}
		})
	}
}

// replaced says that the browser no longer knows a node that it had just found.
func replaced(err error) bool {
	refusal := (*cdproto.Error)(nil)
	return errors.As(err, &refusal) && refusal.Message == "Could not find node with given id"
}

// goTo opens a page of the stage.
func (v *tab) goTo(path string) {
	v.t.Helper()
	v.do(chromedp.Navigate(v.stage.url + path))
}

// value evaluates an expression in the page.
func value[T any](v *tab, expression string) T {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	got, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		v.t.Fatalf("%s: %v", expression, err)
	}
	return got
}

// await waits until an expression in the page is true. A page that is being
// left can't be asked, and is asked again.
func (v *tab) await(expression string) {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	for {
		is, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression))
		if err == nil && is {
			return
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			text, _ := chromedp.Run(v.ctx, chromedp.Evaluate[string]("document.body.innerText"))
			v.t.Fatalf("it did not come to be that %s: %v; the page says:\n%.1500s", expression, err, text)
		}
	}
}

// says waits until the page's text holds some words.
func (v *tab) says(words string) {
	v.t.Helper()
	quoted, _ := json.Marshal(words)
	v.await("document.body.innerText.includes(" + string(quoted) + ")")
}

// text is what the page says now.
func (v *tab) text() string { v.t.Helper(); return value[string](v, "document.body.innerText") }

// press presses keys.
func (v *tab) press(keys string) { v.t.Helper(); v.do(chromedp.KeyEvent(keys)) }

// tabTo presses the tabulator until something has the focus.
func (v *tab) tabTo(selector string) {
	v.t.Helper()
	quoted, _ := json.Marshal(selector)
	for range 80 {
		v.await("document.activeElement !== null")
		if value[bool](v, "document.activeElement.matches("+string(quoted)+")") {
			return
		}
		v.press(kb.Tab)
	}
	v.t.Fatalf("%s can't be reached with the tabulator", selector)
}

// click clicks.
func (v *tab) click(selector string) { v.t.Helper(); v.do(chromedp.Click(chromedp.CSS(selector))) }

// looks are the rules of axe whose outcome depends on colours and the screen.
var looks = []string{"color-contrast", "link-in-text-block", "target-size", "scrollable-region-focusable", "meta-viewport"}

// axe looks for what keeps people out of the page: the rules of WCAG 2.2, A and
// AA, and good practice, as axe-core has them; or some of them only.
func (v *tab) axe(rules ...string) {
	v.t.Helper()
	source, err := os.ReadFile(filepath.Join("testdata", "axe", "axe.min.js"))
	if err != nil {
		v.t.Fatal(err)
	}
	if !value[bool](v, "typeof axe === 'object'") {
		value[bool](v, string(source)+"; true")
	}
	options := map[string]any{"resultTypes": []string{"violations"}}
	if len(rules) > 0 {
		options["runOnly"] = rules
	}
	text, _ := json.Marshal(options) // of strings
	found := value[[]string](v, `axe.run(document, `+string(text)+`).then((r) => r.violations.flatMap((x) => x.nodes.map((n) => x.id + ": " + x.help + "; " + n.html.slice(0, 160) + "; " + n.failureSummary.slice(0, 300))))`)
	for _, violation := range found {
		v.t.Errorf("axe: %s", violation)
	}
}

// picture keeps a screenshot where somebody wants to look at it.
func (v *tab) picture(name string) {
	v.t.Helper()
	folder := os.Getenv("LAMPLIGHTER_PICTURES")
	if folder == "" {
		return
	}
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.MkdirAll(filepath.Dir(filepath.Join(folder, name)), 0o700)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name+".png"), png, 0o600)
	}
	if err != nil {
		v.t.Error(err)
	}
}

// fits says that the page is no wider than its screen.
func (v *tab) fits(name string) {
	v.t.Helper()
	if wide := value[string](v, "document.documentElement.scrollWidth + ' of ' + document.documentElement.clientWidth"); func() bool {
		var is, may int
		_, _ = fmt.Sscanf(wide, "%d of %d", &is, &may)
		return is > may
	}() {
		v.t.Errorf("%s is wider than its screen: %s", name, wide)
	}
}
