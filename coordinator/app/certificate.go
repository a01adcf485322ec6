package app

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"lamplighter/coordinator/fault"
)

// lookAtFilesEvery is how often a certificate's files are looked at, when
// somebody connects.
const lookAtFilesEvery = time.Second

// filed is a certificate in files that somebody else keeps, and writes anew from
// time to time. While what stands there is wrong, the one before is shown.
type filed struct {
	certificate, key string
	log              *slog.Logger

	mu     sync.Mutex
	looked time.Time
	stamp  [2]stamp // of the files that were read last, rightly or wrongly
	loaded *tls.Certificate
}

// stamp tells whether a file was written.
type stamp struct {
	at   time.Time
	size int64
}

// newFiled reads the files, which must be right at the start.
func newFiled(certificate, key string, log *slog.Logger) (*filed, error) {
	f := &filed{certificate: certificate, key: key, log: log}
	if err := f.look(); err != nil {
		return nil, fault.New(fault.Refused, "--tls-certificate", "%w", err)
	}
	return f, nil
}

// get is the certificate to show now.
func (f *filed) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if time.Since(f.looked) >= lookAtFilesEvery {
		if err := f.look(); err != nil {
			f.log.Error("the files of the certificate were changed, and can't be used: the one before is shown", "error", err)
		}
	}
	return f.loaded, nil
}

// look reads the files if they were written since.
func (f *filed) look() error {
	f.looked = time.Now()
	var now [2]stamp
	for i, file := range []string{f.certificate, f.key} {
		info, err := os.Stat(file)
		if err != nil {
			return err
		}
		if file == f.key && info.Mode().Perm()&0o077 != 0 {
			return fmt.Errorf("%s: others than its owner can read this private key (mode %04o): chmod 600 %s", file, info.Mode().Perm(), file)
		}
		now[i] = stamp{info.ModTime(), info.Size()}
	}
	if now == f.stamp {
		return nil
	}
	f.stamp = now
	pair, err := tls.LoadX509KeyPair(f.certificate, f.key)
	if err != nil {
		return fmt.Errorf("%s and %s: %w", f.certificate, f.key, err)
	}
	f.loaded = &pair
	return nil
}
