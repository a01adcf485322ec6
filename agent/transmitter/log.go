package transmitter

import "os"

// logBytes is the size at which a log is put aside.
const logBytes = 32 << 20

// logFile is a file that grows to logBytes, then takes the place of the one
// that was put aside before it.
type logFile struct {
	path string
	file *os.File
	size int64
}

func openLog(path string) (*logFile, error) {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return nil, err
	}
	info, err := file.Stat()
	if err != nil {
		_ = file.Close()
		return nil, err
	}
	return &logFile{path, file, info.Size()}, nil
}

func (l *logFile) Write(text []byte) (int, error) {
	if l.size >= logBytes {
		if err := l.putAside(); err != nil {
			return 0, err
		}
	}
	n, err := l.file.Write(text)
	l.size += int64(n)
	return n, err
}

func (l *logFile) putAside() error {
	if err := os.Rename(l.path, l.path+".1"); err != nil {
		return err
	}
	next, err := openLog(l.path)
	if err != nil {
		return err
	}
	_ = l.file.Close()
	*l = *next
	return nil
}

func (l *logFile) Close() error { return l.file.Close() }
