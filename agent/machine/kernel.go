package machine

import (
	"fmt"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// BootTime is the time since the kernel started, suspends included. Nobody can
// set it.
func BootTime() time.Duration {
	var t unix.Timespec
	if _, _, failed := unix.RawSyscall(unix.SYS_CLOCK_GETTIME, unix.CLOCK_BOOTTIME, uintptr(unsafe.Pointer(&t)), 0); failed != 0 {
		panic(fmt.Sprintf("no boot-time clock: %v", failed)) // every kernel since 2.6.39 has one
	}
	return time.Duration(t.Nano())
}

// setTimer lets a timer of the kernel fire d from now, once.
func setTimer(fd int, d time.Duration) {
	t := unix.ItimerSpec{Value: unix.NsecToTimespec(max(1, d.Nanoseconds()))} // 0 would be never
	if _, _, failed := unix.RawSyscall6(unix.SYS_TIMERFD_SETTIME, uintptr(fd), 0, uintptr(unsafe.Pointer(&t)), 0, 0, 0); failed != 0 {
		panic(fmt.Sprintf("a timer of the kernel can't be set: %v", failed)) // none that it made is refused
	}
}

// readTimer takes the word of a timer that has fired; false: it has not.
func readTimer(fd uintptr) (fired bool, err error) {
	var times [8]byte
	_, _, failed := unix.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&times)), unsafe.Sizeof(times))
	if failed == unix.EAGAIN {
		return false, nil
	}
	if failed != 0 {
		return true, failed
	}
	return true, nil
}
