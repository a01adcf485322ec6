package console_test

import (
	"bufio"
	"fmt"
	"net/http"
	"runtime/metrics"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// BenchmarkViewers says what live views cost: a second of two hundred viewers on
// a network of two hundred beacons, of which ten say something new every second.
// Processor time is that of the process, viewers and services included.
func BenchmarkViewers(b *testing.B) {
	s := open(b, crowd(200), "viewer")
	var bytes, events atomic.Int64
	var watching, ready sync.WaitGroup
	transport := &http.Transport{MaxConnsPerHost: 0}
	for range 200 {
		ready.Add(1)
		watching.Go(func() {
			answer, err := (&http.Client{Transport: transport}).Get(s.url + "/live?since=0") //nolint:noctx // ends with the server
			if err != nil {
				b.Error(err)
				ready.Done()
				return
			}
			defer answer.Body.Close()
			ready.Done()
			lines := bufio.NewScanner(answer.Body)
			lines.Buffer(nil, 1<<20)
			for lines.Scan() {
				bytes.Add(int64(len(lines.Bytes())))
				if len(lines.Bytes()) > 6 && string(lines.Bytes()[:6]) == "event:" {
					events.Add(1)
				}
			}
		})
	}
	ready.Wait()
	for events.Load() < 200*200 { // all have the whole page
		<-time.After(50 * time.Millisecond)
	}
	bytes.Store(0)
	events.Store(0)
	heap, began, busy := allocated(), time.Now(), processor()
	for i := range b.N {
		for k := range 10 {
			s.change(fmt.Sprintf("b%04d", (i*10+k)%200), func(x *apiv1.Beacon) { x.LeaseUntil = timestamppb.New(s.now().Add(time.Minute)) })
		}
		<-time.After(time.Second)
	}
	took := time.Since(began)
	b.ReportMetric(100*(processor()-busy).Seconds()/took.Seconds(), "%processor")
	b.ReportMetric(float64(bytes.Load())/took.Seconds()/1e3, "kB/s")
	b.ReportMetric(float64(events.Load())/took.Seconds(), "events/s")
	b.ReportMetric(float64(allocated()-heap)/took.Seconds()/1e6, "MB-allocated/s")
	s.console.Stop()
	watching.Wait()
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

// BenchmarkScroll scrolls through a thousand beacons' day and says how long the
// frames took that the browser drew meanwhile.
func BenchmarkScroll(b *testing.B) {
	s := open(b, crowd(1000), "viewer")
	v := visit(b, s, desk, "light")
	v.goTo("/timeline?zoom=1d")
	v.await(`(() => { const c = document.querySelector("canvas"); return new Set(new Uint32Array(c.getContext("2d").getImageData(0, 0, c.width, c.height).data.buffer)).size > 20; })()`)
	var frames []float64
	for range b.N {
		frames = append(frames, value[[]float64](v, `new Promise((done) => {
			const pane = document.querySelector(".pane"), took = [];
			let last = performance.now();
			pane.scrollTop = 0;
			const step = (at) => {
				took.push(at - last);
				last = at;
				pane.scrollTop += 90;
				if (pane.scrollTop + pane.clientHeight >= pane.scrollHeight - 2) done(took.slice(2));
				else requestAnimationFrame(step);
			};
			requestAnimationFrame(step);
		})`)...)
	}
	slices.Sort(frames)
	b.ReportMetric(frames[len(frames)-1], "ms-worst-frame")
	b.ReportMetric(frames[len(frames)*99/100], "ms-p99-frame")
	b.ReportMetric(frames[len(frames)/2], "ms-median-frame")
	b.ReportMetric(float64(len(frames)), "frames")
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
