package process

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
	"google.golang.org/protobuf/encoding/protodelim"
	"google.golang.org/protobuf/proto"
)

// maxFrame is the size of the largest message on the pipe.
const maxFrame = 1 << 20

// polled is a pipe that no thread waits for: the language's poller does. One
// inherited from another process blocks, and a thread that blocks keeps the
// language's own watchman looking at it, dozens of times after every heartbeat.
// What is no pipe is left as it is.
func polled(in io.Reader) io.Reader {
	pipe, isFile := in.(*os.File)
	if !isFile {
		return in
	}
	if info, err := pipe.Stat(); err != nil || info.Mode()&fs.ModeNamedPipe == 0 {
		return in
	}
	fd, err := unix.FcntlInt(pipe.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil || unix.SetNonblock(fd, true) != nil {
		return in
	}
	return os.NewFile(uintptr(fd), pipe.Name())
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
