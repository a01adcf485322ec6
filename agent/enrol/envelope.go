package enrol

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"

	"google.golang.org/protobuf/proto"

	"lamplighter/proto/enrolment"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/setup"
)

// envelopeFile holds the latest envelope that was got after the first.
const envelopeFile = "envelope.pem"

const envelopeBlock = "LAMPLIGHTER ENVELOPE"

// Envelope is what the licence allows, as the coordinator sealed it last: in the
// configuration, or got since.
func Envelope(file *setup.File) (sealed []byte, opened *wirev1.Envelope, err error) {
	if sealed, err = file.SealedEnvelope(); err != nil {
		return nil, nil, err
	}
	if opened, err = openEnvelope(file, sealed); err != nil || file.Identity == nil {
		return sealed, opened, err
	}
	later, err := At(file.Identity.Folder).block(envelopeFile, envelopeBlock)
	if errors.Is(err, fs.ErrNotExist) {
		return sealed, opened, nil
	}
	if err != nil {
		return nil, nil, err
	}
	// One that can't be opened is of a coordinator before this configuration.
	if got, err := openEnvelope(file, later); err == nil && got.GetNumber() > opened.GetNumber() {
		return later, got, nil
	}
	return sealed, opened, nil
}

func openEnvelope(file *setup.File, sealed []byte) (*wirev1.Envelope, error) {
	keys, err := file.Keyring()
	if err != nil {
		return nil, err
	}
	payload, err := keys.Open(seal.Envelope, file.Network, file.Beacon, sealed)
	if err != nil {
		return nil, fmt.Errorf("envelope: %w; take the file from the coordinator again", err)
	}
	envelope := &wirev1.Envelope{}
	if err := proto.Unmarshal(payload, envelope); err != nil {
		return nil, errors.New("envelope: garbled; take the file from the coordinator again")
	}
	return envelope, nil
}

// Refresh asks the coordinator for the envelope as it is now, keeps a newer one
// and returns it; nil: there is none. Nothing else of what the coordinator says
// counts: the rest of the configuration is its owner's.
func (i Identity) Refresh(ctx context.Context, file *setup.File) ([]byte, error) {
	config, err := i.TLS()
	if err != nil {
		return nil, err
	}
	text, err := exchange(ctx, file.Identity.Coordinator, http.MethodGet, enrolment.ConfigurationPath, config, nil)
	if err != nil {
		return nil, err
	}
	said, err := setup.Decode("the coordinator's configuration", text)
	if err != nil {
		return nil, err
	}
	sealed, err := said.SealedEnvelope()
	if err != nil {
		return nil, err
	}
	got, err := openEnvelope(file, sealed)
	if err != nil {
		return nil, err
	}
	_, present, err := Envelope(file)
	if err != nil || got.GetNumber() <= present.GetNumber() {
		return nil, err
	}
	return sealed, i.write(envelopeFile, envelopeBlock, sealed)
}
