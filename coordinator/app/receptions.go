package app

import (
	"context"
	"errors"
	"io"
	"mime"
	"net/http"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/heard"
	"lamplighter/coordinator/reporting"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/topic"
)

// receptionsPath is where programs bring reception reports.
const receptionsPath = "POST /receptions"

// receptionForms are the forms of reports by their media types. None of them is
// one that a page of somebody else could make a browser send.
var receptionForms = map[string]string{"text/csv": "csv", "application/adif": "adif"}

// mostFromReceiver is the size in bytes of the largest file that is taken over
// MQTT.
const mostFromReceiver = 512 << 10

// mountReceptions takes in reception reports over HTTP: a file, with a token in
// the header Authorization as for every other call. The answer is that of
// HeardService.AddReceptions, as JSON.
func (a *App) mountReceptions() {
	service := apiv1.NewHeardServiceClient(a.api.Local())
	a.pages.mux.HandleFunc(receptionsPath, func(w http.ResponseWriter, r *http.Request) { takeReceptions(w, r, service.AddReceptions) })
}

type addReceptions func(context.Context, *apiv1.AddReceptionsRequest, ...grpc.CallOption) (*apiv1.AddReceptionsResponse, error)

func takeReceptions(w http.ResponseWriter, r *http.Request, add addReceptions) {
	media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	form, ok := receptionForms[media]
	if !ok {
		http.Error(w, "say in Content-Type what it is: text/csv or application/adif", http.StatusUnsupportedMediaType)
		return
	}
	file, err := io.ReadAll(http.MaxBytesReader(w, r.Body, heard.MaxBytes))
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		http.Error(w, "a file has 8 MiB at most; bring it in parts", http.StatusRequestEntityTooLarge)
		return
	case err != nil:
		return // whoever brought it is gone
	}
	ctx := r.Context()
	if token := r.Header.Get("Authorization"); token != "" {
		ctx = metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", token))
	}
	added, err := add(ctx, &apiv1.AddReceptionsRequest{File: file, Form: form})
	if err != nil {
		answer := grpcstatus.Convert(err)
		http.Error(w, answer.Message(), fault.FromGRPC(answer.Code()).HTTP())
		return
	}
	text, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(added)
	if err != nil {
		http.Error(w, "the answer can't be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(append(text, '\n')) // the asker may be gone
}

// tryAgainIn is the pause before receptions are stored again.
const tryAgainIn = 5 * time.Second

// takeFromReceiver takes in what a receiver of the network's own brings over
// MQTT. The broker is told when it is stored, or refused for good.
func (a *App) takeFromReceiver(ctx context.Context, delivery broker.Delivery) {
	address, _, err := topic.Parse(delivery.Topic)
	receiver := a.network.fleet.Load().Receiver(address.Beacon)
	if err != nil || receiver == nil || delivery.Retained || len(delivery.Payload) > mostFromReceiver {
		a.options.Log.Warn("receptions were refused: they are of no receiver in the fleet file, too large, or kept by the broker", "topic", delivery.Topic, "bytes", len(delivery.Payload))
		delivery.Done()
		return
	}
	reporter := reporting.Reporter{Store: a.store, Fleets: a.fleets}
	from := reporting.Source{Way: "mqtt", Receiver: receiver.Callsign}
	for {
		added, err := reporter.AddReceptions(ctx, from, "csv", delivery.Payload)
		switch {
		case ctx.Err() != nil:
			return // it is brought again
		case err == nil:
			a.options.Log.Info("receptions were brought", "receiver", receiver.Name, "matched", added.Matched, "unmatched", added.Unmatched, "known", added.Known, "refused", len(added.Refused))
			for _, one := range added.Refused[:min(len(added.Refused), 3)] {
				a.options.Log.Warn("a reception was refused", "receiver", receiver.Name, "line", one.Line, "reason", one.Sentence)
			}
		case fault.Of(err) == fault.Invalid:
			a.options.Log.Warn("receptions were refused", "receiver", receiver.Name, "reason", err)
		default:
			a.options.Log.Warn("receptions can't be stored yet", "receiver", receiver.Name, "reason", err, "next_try", tryAgainIn)
			select {
			case <-ctx.Done():
				return
			case <-time.After(tryAgainIn):
			}
			continue
		}
		delivery.Done()
		return
	}
}
