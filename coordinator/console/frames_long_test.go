//go:build long

package console_test

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/tracing"
	"github.com/chromedp/chromedp"
)

// frameGoal is how long no frame may last, in milliseconds.
const frameGoal = 50

// TestFrames scrolls through a thousand beacons and moves through time, as a
// wheel does, and reads from the browser's own trace when each frame
// was presented that shows the new picture: script, layout, painting, raster and
// drawing by the compositor are all in it. No frame may come later than 50 ms
// after the one before.
//
// There is no display here. The browser draws with its software renderer into
// memory, on processors that it shares with the coordinator's stage and with this
// test. What a graphics processor would do faster, and the time that a display
// itself takes, are not in the figures. This browser makes no scrolling of what a
// made-up finger does, so a phone's width is scrolled by wheel too.
func TestFrames(t *testing.T) {
	s := thousand(t)
	gestures := map[string]input.SynthesizeScrollGestureParams{
		"wheel, down":     {Y: 500, YDistance: -6000, Speed: 2000, GestureSourceType: input.GestureSourceTypeMouse},
		"wheel, sideways": {Y: 500, XDistance: -3000, Speed: 1000, GestureSourceType: input.GestureSourceTypeMouse},
	}
	for _, on := range []screen{desk, phone} {
		for _, zoom := range []string{"1h", "1d", "1w"} {
			t.Run(on.name+" "+zoom, func(t *testing.T) {
				v := visit(t, s, on, "light")
				v.goTo("/timeline?zoom=" + zoom)
				v.await(drawn + " > 20")
				v.await(`document.getElementById("picture").dataset.waiting === "0"`)
				v.await(`(document.getElementById("picture").scrollIntoView({block: "end"}), true)`)
				for _, how := range []string{"wheel, down", "wheel, sideways"} {
					gesture := gestures[how]
					gesture.X = float64(on.wide) * 0.6
					events := v.trace(func(ctx context.Context) error {
						_, err := chromedp.Call(ctx, input.SynthesizeScrollGesture, gesture)
						return err
					})
					framesOf(t, events).judge(t, how)
				}
			})
		}
	}
}

// judge says what was measured, and whether it is good enough.
func (f frames) judge(t *testing.T, how string) {
	t.Helper()
	late := 0
	for _, apart := range f.apart {
		if apart > frameGoal {
			late++
		}
	}
	t.Logf("%s: %d frames in %.1f s, apart by %.1f ms at the median, %.1f ms at 95 of 100, %.1f ms at the most; %d over %d ms, %d dropped",
		how, len(f.apart)+1, f.lasted/1000, part(f.apart, 0.5), part(f.apart, 0.95), part(f.apart, 1), late, frameGoal, f.dropped)
	t.Logf("%s: processor time at the most: script %.1f ms, main thread's frame with it %.1f ms, commit %.1f ms, raster %.1f ms, compositor %.1f ms",
		how, f.worst["FireAnimationFrame"], f.worst["ProxyMain::BeginMainFrame"], f.worst["Commit"], f.worst["RasterTask"], f.worst["DirectRenderer::DrawFrame"])
	if len(f.apart) < 60 {
		t.Errorf("%s: only %d frames were traced", how, len(f.apart)+1)
	}
	if late > 0 {
		t.Errorf("%s: a frame took %.1f ms, goal %d ms", how, part(f.apart, 1), frameGoal)
	}
}

// traced is an event of a browser's trace.
type traced struct {
	Name    string `json:"name"`
	Phase   string `json:"ph"`
	At      int64  `json:"ts"`   // in microseconds
	Worked  int64  `json:"tdur"` // likewise, of its thread's processor time
	Process int    `json:"pid"`
	ID      struct {
		Local string `json:"local"`
	} `json:"id2"`
	Args struct {
		Frame struct {
			State  string `json:"state"`
			Smooth bool   `json:"affects_smoothness"`
		} `json:"frame_reporter"`
	} `json:"args"`
}

// trace traces what the browser does meanwhile.
func (v *tab) trace(meanwhile func(context.Context) error) (events []traced) {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	done := make(chan bool, 1)
	v.call(func() error {
		return chromedp.Listen(ctx, func(event any) {
			switch e := event.(type) {
			case *tracing.EventDataCollected:
				for _, text := range e.Value {
					var one traced
					if json.Unmarshal(text, &one) == nil { // those of another form are not looked for
						events = append(events, one)
					}
				}
			case *tracing.EventTracingComplete:
				done <- e.DataLossOccurred
			}
		})
	})
	v.call(func() error {
		_, err := chromedp.Call(ctx, tracing.Start, tracing.StartParams{
			TransferMode: tracing.StartTransferModeReportEvents,
			TraceConfig: &tracing.TraceConfig{ExcludedCategories: []string{"*"}, IncludedCategories: []string{
				"benchmark", "devtools.timeline", "disabled-by-default-devtools.timeline", "disabled-by-default-devtools.timeline.frame", "latencyInfo",
			}},
		})
		return err
	})
	v.call(func() error { return meanwhile(ctx) })
	v.call(func() error {
		_, err := chromedp.Call(ctx, tracing.End, cdp.Empty{})
		return err
	})
	select {
	case lost := <-done:
		if lost {
			v.t.Fatal("the browser lost a part of the trace")
		}
	case <-ctx.Done():
		v.t.Fatal("the trace did not come")
	}
	return events
}

// frames are those that were presented while somebody moved the picture.
type frames struct {
	apart   []float64          // each from the one before, in milliseconds, sorted
	lasted  float64            // all of them
	dropped int                // that should have shown the new picture and did not
	worst   map[string]float64 // processor time of a piece of work, by what it is, in milliseconds
}

// part is the value below which a part of sorted ones lies.
func part(sorted []float64, of float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[int(of*float64(len(sorted)-1))]
}

// framesOf reads a trace: of the process that drew the page, the frames between
// the first and the last event of the wheel.
func framesOf(t *testing.T, events []traced) frames {
	t.Helper()
	drew, from, to := map[int]int{}, int64(0), int64(0)
	for _, e := range events {
		switch {
		case e.Name == "FireAnimationFrame":
			drew[e.Process]++
		case strings.HasPrefix(e.Name, "InputLatency::MouseWheel"):
			if from == 0 || e.At < from {
				from = e.At
			}
			to = max(to, e.At)
		}
	}
	if len(drew) == 0 || from == 0 {
		t.Fatal("the trace has no frame, or no wheel")
	}
	process := 0 // of the page: other tabs draw now and then
	for p, n := range drew {
		if n > drew[process] {
			process = p
		}
	}
	f := frames{worst: map[string]float64{}}
	begun := map[string]traced{}
	var shown []int64
	for _, e := range events {
		switch {
		case e.At < from || e.At > to:
		case e.Name == "PipelineReporter" && e.Process == process && e.Phase == "b":
			begun[e.ID.Local] = e
		case e.Name == "PipelineReporter" && e.Process == process && e.Phase == "e":
			switch began := begun[e.ID.Local].Args.Frame; {
			case began.State == "STATE_PRESENTED_ALL":
				shown = append(shown, e.At)
			case began.State == "STATE_DROPPED" && began.Smooth:
				f.dropped++
			}
		case e.Phase == "X":
			f.worst[e.Name] = max(f.worst[e.Name], float64(e.Worked)/1000)
		}
	}
	slices.Sort(shown)
	shown = slices.Compact(shown)
	for i := 1; i < len(shown); i++ {
		f.apart = append(f.apart, float64(shown[i]-shown[i-1])/1000)
		f.lasted += f.apart[i-1]
	}
	slices.Sort(f.apart)
	return f
}
