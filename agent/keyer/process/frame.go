package process

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protodelim"
	"google.golang.org/protobuf/proto"

	"lamplighter/agent/machine"
)

// maxFrame is the size of the largest message on the pipe.
const maxFrame = 1 << 20

// polled lets no thread wait for a pipe. What is none is left as it is.
func polled(in io.Reader) io.Reader {
	if file, isFile := in.(*os.File); isFile {
		if pipe := machine.NewPipe(file); pipe != nil {
			return pipe
		}
	}
	return in
}

// readFrames gives every message to take, until there are no more (nil), one
// can't be read, or take says no.
func readFrames[M proto.Message](r io.Reader, next func() M, take func(M) bool) error {
	buffered := bufio.NewReader(r)
	options := protodelim.UnmarshalOptions{MaxSize: maxFrame}
	for {
		m := next()
		err := options.UnmarshalFrom(buffered, m)
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrClosedPipe) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("on the pipe between agent and keyer: %w", err)
		}
		if !take(m) {
			return nil
		}
	}
}

// writeFrame writes one message.
func writeFrame(w io.Writer, m proto.Message) error {
	_, err := protodelim.MarshalTo(w, m)
	return err
}
