package api

import (
	"bufio"
	"context"
	"encoding/base64"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// reportsAtOnce bounds how many reports are made at the same time.
const reportsAtOnce = 2

// pieceBytes is how much of a file goes into one answer.
const pieceBytes = 64 << 10

// progressEvery is how often somebody who waits is told how far it is.
const progressEvery = 200 * time.Millisecond

// reportService makes reports and logs.
type reportService struct {
	apiv1.UnimplementedReportServiceServer
	reporter reporting.Reporter
	signer   *seal.Signer
	making   chan struct{} // holds one token for each report under way
}

func newReportService(o Options) *reportService {
	return &reportService{
		reporter: reporting.Reporter{Store: o.Store, Fleets: o.Fleets},
		signer:   o.Signer, making: make(chan struct{}, reportsAtOnce),
	}
}

var forms = map[apiv1.ReportFormat]reporting.Form{
	apiv1.ReportFormat_REPORT_FORMAT_HTML:     reporting.HTML,
	apiv1.ReportFormat_REPORT_FORMAT_PDF:      reporting.PDF,
	apiv1.ReportFormat_REPORT_FORMAT_MARKDOWN: reporting.Markdown,
	apiv1.ReportFormat_REPORT_FORMAT_CSV:      reporting.CSV,
	apiv1.ReportFormat_REPORT_FORMAT_JSON:     reporting.JSON,
	apiv1.ReportFormat_REPORT_FORMAT_LOG_CSV:  reporting.LogCSV,
	apiv1.ReportFormat_REPORT_FORMAT_LOG_ADIF: reporting.LogADIF,
	apiv1.ReportFormat_REPORT_FORMAT_CALENDAR: reporting.Calendar,
}

// GetReport makes a report or a log and sends it in pieces.
func (s *reportService) GetReport(r *apiv1.GetReportRequest, stream grpc.ServerStreamingServer[apiv1.GetReportResponse]) error {
	form, ok := forms[r.GetFormat()]
	if !ok {
		return fault.New(fault.Invalid, "format", "say in which form it is wanted")
	}
	q, err := reportRequest(r)
	if err != nil {
		return err
	}
	select {
	case s.making <- struct{}{}:
		defer func() { <-s.making }()
	case <-stream.Context().Done():
		return stream.Context().Err()
	}
	sender := &pieces{stream: stream}
	q.Progress = sender.progress
	out := bufio.NewWriterSize(sender, pieceBytes)
	if err := s.reporter.Write(stream.Context(), out, form, q); err != nil {
		return err
	}
	return out.Flush()
}

func reportRequest(r *apiv1.GetReportRequest) (q reporting.Request, err error) {
	q.Week, q.Scope = r.GetWeek(), fleet.Scope{Site: r.GetSite(), Beacon: r.GetBeacon()}
	if q.From, err = checkedTime("from", r.GetFrom()); err != nil {
		return q, err
	}
	if q.To, err = checkedTime("to", r.GetTo()); err != nil {
		return q, err
	}
	for field, name := range map[string]string{"site": q.Scope.Site, "beacon": q.Scope.Beacon} {
		if err := topic.CheckID(name); name != "" && err != nil {
			return q, fault.New(fault.Invalid, field, "%w", err)
		}
	}
	return q, nil
}

// pieces sends what is written to it.
type pieces struct {
	stream grpc.ServerStreamingServer[apiv1.GetReportResponse]
	once   sync.Mutex
	told   time.Time
}

// Write sends a piece.
func (p *pieces) Write(piece []byte) (int, error) {
	p.once.Lock()
	defer p.once.Unlock()
	for sent := 0; sent < len(piece); sent += pieceBytes {
		part := piece[sent:min(sent+pieceBytes, len(piece))]
		if err := p.stream.Send(&apiv1.GetReportResponse{Part: &apiv1.GetReportResponse_Piece{Piece: part}}); err != nil {
			return sent, err
		}
	}
	return len(piece), nil
}

// progress tells how far it is, now and then.
func (p *pieces) progress(done, total int) {
	p.once.Lock()
	defer p.once.Unlock()
	if total <= 0 || time.Since(p.told) < progressEvery {
		return
	}
	p.told = time.Now()
	// Who does not listen any more is found out with the next piece.
	_ = p.stream.Send(&apiv1.GetReportResponse{Part: &apiv1.GetReportResponse_Progress{Progress: float64(done) / float64(total)}})
}

// Who says which beacons were on the air near a time and frequency.
func (s *reportService) Who(ctx context.Context, r *apiv1.WhoRequest) (*apiv1.WhoResponse, error) {
	at, err := checkedTime("at", r.GetAt())
	if err != nil {
		return nil, err
	}
	if !(r.GetWithinSeconds() >= 0 && r.GetWithinSeconds() <= 3600) {
		return nil, fault.New(fault.Invalid, "within_seconds", "it is from 0 to 3600")
	}
	answer, err := s.reporter.Who(ctx, reporting.Question{
		At: at, FrequencyHz: r.GetFrequencyHz(), NearHz: r.GetNearHz(), Within: time.Duration(r.GetWithinSeconds() * float64(time.Second)),
	})
	if err != nil {
		return nil, err
	}
	told := &apiv1.WhoResponse{NotReported: answer.NotReported, Page: answer.Page(), PublicKey: s.signer.Public().String()}
	for _, t := range answer.OnAir {
		told.OnAir = append(told.OnAir, onAir(answer.Fleet, t))
	}
	var sealed wirev1.Sealed
	if err := proto.Unmarshal(s.signer.Seal(seal.Page, answer.ID, "", []byte(told.Page)), &sealed); err != nil {
		return nil, err
	}
	told.Signature = base64.StdEncoding.EncodeToString(sealed.GetSignature())
	return told, nil
}

func onAir(f *fleet.Fleet, t store.PastTransmission) *apiv1.OnAir {
	told := &apiv1.OnAir{
		Beacon: t.Beacon, Start: timestamppb.New(t.StartAt), Band: t.Band, FrequencyHz: float64(t.FrequencyMillihertz) / 1000,
		PowerDbm: t.PowerDBm, Control: t.Control, Ending: t.Ending,
		PermittedAt: optionalTime(t.PermittedAt), KeyedAt: optionalTime(t.KeyedAt), UnkeyedAt: optionalTime(t.UnkeyedAt),
	}
	if b := f.Beacon(t.Beacon); b != nil {
		told.Site, told.Locator, told.Callsign = b.Site.Name, b.Site.Locator.String(), b.Callsign
	}
	if t.Callsign != nil {
		told.Callsign = *t.Callsign
	}
	if t.Reason != nil {
		told.Reason = *t.Reason
	}
	return told
}
