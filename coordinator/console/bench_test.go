package console_test

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"runtime/metrics"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// BenchmarkViewers says what live views cost: a second of two hundred viewers on
// a network of two hundred beacons, of which ten say something new every second.
// Processor time is that of the process, with what plays the services and with
// viewers that do no more than to read; one of them unpacks and counts.
func BenchmarkViewers(b *testing.B) {
	s := open(b, crowd(200), "viewer")
	var sizes, events atomic.Int64
	var watching, ready sync.WaitGroup
	watch := func(read func(io.Reader)) {
		ready.Add(1)
		watching.Go(func() {
			request, err := http.NewRequestWithContext(b.Context(), http.MethodGet, s.url+"/live?since=0", nil)
			if err != nil {
				b.Error(err)
				return
			}
			request.Header.Set("Accept-Encoding", "gzip") // as a browser does, and unpacks itself
			answer, err := http.DefaultTransport.RoundTrip(request)
			if err != nil {
				b.Error(err)
				ready.Done()
				return
			}
			defer answer.Body.Close()
			ready.Done()
			read(io.TeeReader(answer.Body, counter{&sizes}))
		})
	}
	watch(func(packed io.Reader) {
		text, err := gzip.NewReader(packed)
		if err != nil {
			b.Error(err)
			return
		}
		for lines := bufio.NewReader(text); err == nil; {
			var line []byte
			if line, err = lines.ReadBytes('\n'); strings.HasPrefix(string(line), "event: piece") {
				events.Add(1)
			}
		}
	})
	for range 199 {
		watch(func(packed io.Reader) { _, _ = io.Copy(io.Discard, packed) }) // ends with the server
	}
	ready.Wait()
	for events.Load() < 200 { // it has the whole page
		<-time.After(50 * time.Millisecond)
	}
	<-time.After(2 * time.Second) // and so have the others
	sizes.Store(0)
	events.Store(0)
	heap, start, busy := allocated(), time.Now(), processor()
	for i := range b.N {
		for k := range 10 {
			s.change(fmt.Sprintf("b%04d", (i*10+k)%200), func(x *apiv1.Beacon) {
				x.LeaseUntil = timestamppb.New(began.Add(time.Duration(i+1) * time.Minute))
			})
		}
		<-time.After(time.Second)
	}
	took := time.Since(start)
	b.ReportMetric(100*(processor()-busy).Seconds()/took.Seconds(), "%processor")
	b.ReportMetric(float64(sizes.Load())/took.Seconds()/1e3, "kB/s")
	b.ReportMetric(float64(events.Load())/took.Seconds(), "events/s/viewer")
	b.ReportMetric(float64(allocated()-heap)/took.Seconds()/1e6, "MB-allocated/s")
	s.console.Stop()
	watching.Wait()
}

// counter counts what is written to it.
type counter struct{ into *atomic.Int64 }

func (c counter) Write(text []byte) (int, error) {
	c.into.Add(int64(len(text)))
	return len(text), nil
}

// processor is the processor time of this process.
func processor() time.Duration {
	var used syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &used)
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

func allocated() uint64 {
	sample := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}

// thousand is a stage with a thousand beacons and a day of slots, which are the
// same four days before and after.
func thousand(t testing.TB) *stage {
	t.Helper()
	s := open(t, crowd(1000), "viewer")
	day := s.plan.Transmissions
	for away := -4; away <= 4; away++ {
		for _, x := range day {
			if x.Start = x.Start.Add(time.Duration(away) * 24 * time.Hour); away != 0 {
				s.plan.Transmissions = append(s.plan.Transmissions, x)
			}
		}
	}
	return s
}

// BenchmarkScroll scrolls through a thousand beacons, an hour, a day and a week
// at once, and moves through time, frame by frame. It says how much processor
// time the page's main thread took for a frame: what a person
// sees, painting included, is what TestFrames measures.
func BenchmarkScroll(b *testing.B) {
	s := thousand(b)
	for _, zoom := range []string{"1h", "1d", "1w"} {
		b.Run(zoom, func(b *testing.B) {
			v := visit(b, s, desk, "light")
			v.goTo("/timeline?zoom=" + zoom)
			v.await(drawn + " > 20")
			v.await(`document.getElementById("picture").dataset.waiting === "0"`)
			v.call(func() error {
				_, err := chromedp.Call(v.ctx, performance.Enable, performance.EnableParams{TimeDomain: performance.EnableTimeDomainThreadTicks})
				return err
			})
			for name, step := range map[string]string{
				"scroll": `document.querySelector(".pane").scrollTop += 90`,
				"move":   `document.querySelector(".pane").dispatchEvent(new WheelEvent("wheel", {deltaX: 12}))`,
			} {
				var took []float64
				for range b.N {
					before := v.busy()
					value[bool](v, step+`, new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))`)
					took = append(took, 1000*(v.busy()-before))
				}
				slices.Sort(took)
				b.ReportMetric(took[len(took)-1], "ms-worst-"+name)
				b.ReportMetric(took[len(took)/2], "ms-median-"+name)
				b.ReportMetric(took[len(took)-1]/50, "of-the-goal-"+name)
			}
		})
	}
}

// busy is the processor time of the page's main thread so far, in seconds.
func (v *tab) busy() float64 {
	told, err := chromedp.Call(v.ctx, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		v.t.Fatal(err)
	}
	for _, m := range told.Metrics {
		if m.Name == "TaskDuration" {
			return m.Value
		}
	}
	v.t.Fatal("the browser does not say how long its tasks took")
	return 0
}

// BenchmarkInteractive opens the first page of two hundred beacons and says when
// it was there and when its script had run.
func BenchmarkInteractive(b *testing.B) {
	s := open(b, crowd(200), "viewer")
	v := visit(b, s, desk, "light")
	var loaded []float64
	for range b.N {
		v.do(chromedp.Navigate(s.url + "/"))
		loaded = append(loaded, value[float64](v, `performance.getEntriesByType("navigation")[0].domContentLoadedEventEnd`))
	}
	slices.Sort(loaded)
	b.ReportMetric(loaded[len(loaded)/2], "ms-median-interactive")
	b.ReportMetric(loaded[len(loaded)-1], "ms-worst-interactive")
}
