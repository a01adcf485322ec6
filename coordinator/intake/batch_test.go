package intake

import (
	"testing"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// A batch is read as the library of the encoding reads it, whatever it holds.
func FuzzBatch(f *testing.F) {
	f.Add(batch(f, "hilltop-hf", wireRecord(1, 1), wireRecord(1, 2)))
	f.Add([]byte{0x0a, 0x01, 'a', 0x0a, 0x01, 'b', 0x1a, 0x00, 0x18, 0x07, 0x20, 0x01}) // a name twice, a record of another type, an unknown field
	f.Add([]byte{0x0a, 0x01, 0xff})
	f.Add([]byte("\xa8\xa8\xa8\xa80\xa8\xa8\xa8\xa80")) // a field of a number that there is not
	f.Fuzz(func(t *testing.T, payload []byte) {
		ours, theirs := &wirev1.RecordBatch{}, &wirev1.RecordBatch{}
		err := proto.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(payload, theirs)
		if got := parseBatch(payload, ours); (got == nil) != (err == nil) {
			t.Fatalf("ours: %v, the library: %v", got, err)
		}
		if err == nil && !proto.Equal(ours, theirs) {
			t.Fatalf("ours: %v\nthe library: %v", ours, theirs)
		}
	})
}
