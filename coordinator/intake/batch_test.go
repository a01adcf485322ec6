package intake

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// A batch is read as the library of the encoding reads it, whatever it holds.
func FuzzBatch(f *testing.F) {
	f.Add(batch(f, "hilltop-hf", wireRecord(1, 1), wireRecord(1, 2)))
	f.Add([]byte{0x0a, 0x01, 'a', 0x0a, 0x01, 'b', 0x1a, 0x00, 0x18, 0x07, 0x20, 0x01}) // a name twice, a record of another type, an unknown field
	f.Add([]byte{0x0a, 0x01, 0xff})
	f.Add([]byte("\xa8\xa8\xa8\xa80\xa8\xa8\xa8\xa80")) // a field of a number that there is not
	f.Fuzz(func(t *testing.T, payload []byte) {
		ours, theirs := &recordBatch{}, &wirev1.RecordBatch{}
		err := proto.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(payload, theirs)
		if got := parseBatch(payload, topic.Address{Network: network, Beacon: "hilltop-hf"}, ours); (got == nil) != (err == nil) {
			t.Fatalf("ours: %v, the library: %v", got, err)
		}
		if err == nil && !proto.Equal(&wirev1.RecordBatch{Network: ours.network, Beacon: ours.beacon, Records: ours.records}, theirs) {
			t.Fatalf("ours: %v\nthe library: %v", ours, theirs)
		}
	})
}

// A record is refused, and its row filled in, as if the library had read it.
func FuzzRecord(f *testing.F) {
	f.Add(marshal(f, wireRecord(1, 1)))
	for _, body := range []*wirev1.Record{
		{Boot: run(1), Seq: 2, RecordedDay: -3, DeviceUnixUs: -4, Body: &wirev1.Record_Health{Health: &wirev1.Health{
			Band: "40m", Orders: &wirev1.OrdersNumber{Epoch: 1}, SupplyVolts: proto.Float64(12),
			Steadiness: &wirev1.Steadiness{Allan: []*wirev1.Measure{{Seconds: 60, Value: 1e-9}}},
		}}},
		{Boot: run(1), Seq: 3, Body: &wirev1.Record_Outcome{Outcome: &wirev1.Outcome{
			Reason: "hushed", Transmission: &wirev1.Transmission{Band: "40m", Message: &wirev1.Message{Callsign: "Q0AAA"}},
		}}},
		{Boot: run(1), Seq: 4, Body: &wirev1.Record_Thinned{Thinned: &wirev1.Thinned{Boot: run(2), FirstSeq: 1, LastSeq: 9}}},
		{Boot: run(1), Seq: 5, Body: &wirev1.Record_RunStarted{RunStarted: &wirev1.RunStarted{PreviousBoot: run(3)}}},
	} {
		f.Add(marshal(f, body))
	}
	f.Add([]byte{0x4a, 0x03, 0x0a, 0x01, 0xff})             // an event whose text is no UTF-8
	f.Add([]byte{0x32, 0x04, 0x82, 0x02, 0x01, 0x0a})       // health that ends within steadiness
	f.Add([]byte{0x4a, 0x00, 0x32, 0x00, 0x48, 0x01})       // two bodies, and one of another type
	f.Add([]byte{0x08, 0x01, 0x12, 0x01, 0x01, 0x1d, 0, 0}) // fields of other types, and one cut off
	f.Fuzz(func(t *testing.T, body []byte) {
		var theirs wirev1.Record
		err := proto.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(body, &theirs)
		ours, got := scan(body)
		if (got == nil) != (err == nil) {
			t.Fatalf("ours: %v, the library: %v", got, err)
		}
		if err != nil {
			return
		}
		of := theirs.ProtoReflect()
		said := of.WhichOneof(of.Descriptor().Oneofs().ByName("body"))
		if string(ours.boot) != theirs.GetBoot() || ours.seq != theirs.GetSeq() || ours.recordedDay != theirs.GetRecordedDay() ||
			ours.deviceUnixUs != theirs.GetDeviceUnixUs() || (said == nil) != (ours.body == 0) || said != nil && said.Number() != ours.body {
			t.Fatalf("ours: %+v\nthe library: %v", ours, &theirs)
		}
	})
}

// What scan passes over must have no fields whose values it does not look into.
func TestAShapeSaysAllThatTheLibraryLooksAt(t *testing.T) {
	var look func(d protoreflect.MessageDescriptor)
	look = func(d protoreflect.MessageDescriptor) {
		for i := range d.Fields().Len() {
			field := d.Fields().Get(i)
			if field.IsPacked() || field.IsMap() || field.Kind() == protoreflect.GroupKind || field.Number() >= 64 {
				t.Errorf("%s: a shape cannot say what belongs into it", field.FullName())
			}
			if field.Message() != nil {
				look(field.Message())
			}
		}
	}
	look((&wirev1.Record{}).ProtoReflect().Descriptor())
}
