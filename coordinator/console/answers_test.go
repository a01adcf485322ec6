package console_test

import (
	"bytes"
	"context"
	"io"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

func (s *stage) ChangePerson(_ context.Context, r *apiv1.ChangePersonRequest) (*apiv1.ChangePersonResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.people {
		if p.GetName() == r.GetPerson().GetName() {
			if p.GetRole() == "admin" && r.GetPerson().GetRole() != "admin" {
				return nil, grpcstatus.Error(codes.FailedPrecondition, p.GetName()+" is the last admin: make somebody else admin first")
			}
			p.Role, p.Sites, p.Contact = r.GetPerson().GetRole(), r.GetPerson().GetSites(), r.GetPerson().GetContact()
		}
	}
	return &apiv1.ChangePersonResponse{}, nil
}

func (s *stage) ResetPassword(context.Context, *apiv1.ResetPasswordRequest) (*apiv1.ResetPasswordResponse, error) {
	return &apiv1.ResetPasswordResponse{Password: "quay-ember-slate"}, nil
}

// Who knows of one transmission on 7 040 100 Hz, and of one beacon that has not
// reported.
func (s *stage) Who(_ context.Context, r *apiv1.WhoRequest) (*apiv1.WhoResponse, error) {
	answer := &apiv1.WhoResponse{NotReported: []string{"harbour-a"}, Page: "asked for " + r.GetAt().AsTime().Format(time.RFC3339), Signature: "c2lnbmVk", PublicKey: "a2V5"}
	start := time.Date(2026, 12, 1, 10, 0, 0, 0, time.UTC)
	if r.GetFrequencyHz() == 7040100 && r.GetAt().AsTime().Sub(start).Abs() <= time.Duration(r.GetWithinSeconds())*time.Second && r.GetNearHz() == 100 {
		answer.OnAir = []*apiv1.OnAir{{
			Beacon: "mill-a", Site: "mill", Locator: "IN87ob", Callsign: "Q2ABC", Start: timestamppb.New(start), Band: "40m", FrequencyHz: 7040100.4, PowerDbm: proto.Int32(23),
			Control: "remote", Ending: "sent", PermittedAt: timestamppb.New(start.Add(-time.Second)), KeyedAt: timestamppb.New(start.Add(time.Second)), UnkeyedAt: timestamppb.New(start.Add(112 * time.Second)),
		}}
	}
	return answer, nil
}

func (s *stage) AddReceptions(_ context.Context, r *apiv1.AddReceptionsRequest) (*apiv1.AddReceptionsResponse, error) {
	if !bytes.HasPrefix(r.GetFile(), []byte("time,")) && r.GetForm() == "csv" {
		return nil, grpcstatus.Error(codes.InvalidArgument, "the header has no column time")
	}
	lines := int64(bytes.Count(r.GetFile(), []byte("\n")))
	return &apiv1.AddReceptionsResponse{Matched: lines - 2, Unmatched: 1, RefusedCount: 1, Refused: []*apiv1.RefusedReception{{Line: 3, Sentence: "\"noon\" is no time"}}}, nil
}

func (s *stage) ListUnmatched(context.Context, *apiv1.ListUnmatchedRequest) (*apiv1.ListUnmatchedResponse, error) {
	return &apiv1.ListUnmatchedResponse{Receptions: []*apiv1.UnmatchedReception{{Start: timestamppb.New(began), Callsign: "Q9ZZZ", Band: "40m", FrequencyHz: 7040112.2, Receiver: "Q9XYZ", ReceiverLocator: "FN42AX", Reason: "unknown_callsign"}}}, nil
}

func (s *stage) ProposeCorrections(context.Context, *apiv1.ProposeCorrectionsRequest) (*apiv1.ProposeCorrectionsResponse, error) {
	return &apiv1.ProposeCorrectionsResponse{Corrections: []*apiv1.Correction{
		{Beacon: "mill-a", Band: "40m", MedianPpb: proto.Float64(31.25), SpreadPpb: proto.Float64(12), Receivers: 14, Reports: 230},
		{Beacon: "mill-b", Band: "20m", Receivers: 2, Reports: 5},
	}}, nil
}

func (s *stage) TestAlerts(_ context.Context, r *apiv1.TestAlertsRequest) (*apiv1.TestAlertsResponse, error) {
	if r.GetReason() == "" {
		return nil, grpcstatus.Error(codes.InvalidArgument, "say why, for those who will ask")
	}
	if r.GetRecipient() != "" {
		return &apiv1.TestAlertsResponse{Recipients: []string{r.GetRecipient()}}, nil
	}
	return &apiv1.TestAlertsResponse{Recipients: []string{"secretary", "club"}}, nil
}

// TestPerson changes what somebody may do, is told of another's change before
// undoing it, and gives another password, which is shown once.
func TestPerson(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "admin")
	v := visit(t, s, phone, "light")
	v.goTo("/people/kim")
	v.await(`document.querySelector("#role").value === "operator" && document.querySelector('input[value="mill"]').checked`)
	v.click(`input[value="harbour"]`)
	s.mu.Lock()
	s.people[0].Contact = "by the ferry" // Robin was first
	s.mu.Unlock()
	v.tabTo("main form button")
	v.press("\r")
	v.says("Somebody else was first")
	v.says("by the ferry")
	v.await(`document.querySelector("#contact").value === "on the club's channel" && !document.querySelector('input[value="harbour"]').checked`)
	v.axe()
	v.await(`(document.querySelector("#contact").value = "by the ferry") !== ""`)
	v.click("main form button")
	v.says("kim, operator at mill")
	v.says("by the ferry")
	v.goTo("/people/robin")
	v.await(`(document.querySelector("#role").value = "viewer") !== ""`)
	v.click("main form button")
	v.says("Robin is the last admin")
	v.await(`document.querySelector("#role").value === "viewer"`)
	v.goTo("/people/kim/password")
	v.click("main form button")
	v.says("quay-ember-slate")
	v.goTo("/people")
	if strings.Contains(v.text(), "quay-ember-slate") {
		t.Error("the password is shown twice")
	}
}

// TestWho answers a complaint that was written down on a clock on the wall, and
// gives the answer as a signed page.
func TestWho(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "viewer")
	v := visit(t, s, phone, "light")
	v.goTo("/who?at=2026-12-01T11:00&clock=Europe/Paris&freq=7.0401+MHz")
	v.says("2026-12-01 10:00:00 UTC, 7 040 100.0 Hz")
	v.says("Q2ABC")
	v.says("10:00:01 to 10:01:52")
	v.says("Not reported yet: harbour-a")
	page, _ := get(t, s.url+value[string](v, `document.querySelector("a[download]").getAttribute("href")`))
	if page != "asked for 2026-12-01T10:00:00Z\nsignature (Ed25519) c2lnbmVk\nkey a2V5\n" {
		t.Errorf("the page is %q", page)
	}
	v.tabTo("#freq")
	v.await(`(document.querySelector("#freq").value = "forty metres") !== ""`)
	v.press("\r")
	v.says("is no frequency; write it like 7040100")
	v.await(`document.querySelector("#freq").value === "forty metres" && document.querySelector("#at").value === "2026-12-01T11:00"`)
	v.goTo("/who?at=2026-12-01T11:00&freq=14097100")
	v.says("None of ours was planned there and then, but not all have said what they did")
}

// TestHeard brings a file of reports, and reads what became of it.
func TestHeard(t *testing.T) {
	t.Parallel()
	s := open(t, valley, "operator")
	v := visit(t, s, desk, "light")
	file := filepath.Join(t.TempDir(), "receptions.csv")
	if err := os.WriteFile(file, []byte("time,callsign\n1\nnoon\n3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	v.goTo("/heard")
	v.says("no beacon of ours has the call sign")
	v.says("31.2")
	v.do(chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{file}))
	v.click("main form button")
	v.says("receptions.csv: 2 matched, 1 match no transmission of ours, 0 were here already, 1 could not be read")
	v.says(`Line 3: "noon" is no time.`)

	viewer := open(t, valley, "viewer")
	send := func(url, name string, content []byte) (int, string) {
		var body bytes.Buffer
		parts := multipart.NewWriter(&body)
		part, err := parts.CreateFormFile("file", name)
		if err == nil {
			_, err = part.Write(content)
		}
		if err == nil {
			err = parts.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, url+"/heard", &body)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Content-Type", parts.FormDataContentType())
		request.Header.Set("Accept", "text/html")
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close() //nolint:errcheck // it is read
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer.StatusCode, string(text)
	}
	for _, test := range []struct {
		url, name string
		content   []byte
		status    int
		says      string
	}{
		{s.url, "log.adi", []byte("<EOH>\n\n\n"), http.StatusOK, "1 matched"},
		{s.url, "log.csv", []byte("nothing"), http.StatusBadRequest, "The header has no column time"},
		{s.url, "log.csv", nil, http.StatusBadRequest, "Choose a file with something in it"},
		{s.url, "log.csv", make([]byte, 8<<20+1), http.StatusBadRequest, "A file has 8 MiB at most"},
		{viewer.url, "log.csv", []byte("time,\n"), http.StatusForbidden, "That is not yours to do"},
	} {
		if status, text := send(test.url, test.name, test.content); status != test.status || !strings.Contains(text, test.says) {
			t.Errorf("%s of %d bytes: %d, want %d saying %q", test.name, len(test.content), status, test.status, test.says)
		}
	}
}

// TestTryAlerts sends a test to one recipient that the fleet file names.
func TestTryAlerts(t *testing.T) {
	t.Parallel()
	before, after, _ := strings.Cut(valley, "alerts:\n")
	_, after, _ = strings.Cut(after, "reports:")
	untold := before + "reports:" + after
	s := open(t, untold, "admin")
	v := visit(t, s, phone, "dark")
	v.goTo("/alerts/test")
	v.says("Nobody is named who hears of alerts")
	s.put(t, untold+"alerts: {recipients: [{name: secretary, mail: secretary@example.org}, {name: club, topic: true}]}\n")
	v.goTo("/alerts")
	v.click(`a[href="/alerts/test"]`)
	v.says("Sends a message that says it is a test")
	v.await(`(document.querySelector("#recipient").value = "secretary") === "secretary"`)
	v.do(chromedp.SendKeys(chromedp.CSS("#reason"), "   "))
	v.click("main form button")
	v.says("Say why, for those who will ask")
	v.do(chromedp.SendKeys(chromedp.CSS("#reason"), "the yearly try"))
	v.click("main form button")
	v.says("On its way to secretary.")
	v.axe()
}
