package main

import (
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// longSlice is the stretch of time that a trial asks for at once, ns: the longest there
// is. The kernel lets whoever wakes with a shorter one, as the daemon does for every
// message, go first at once, and not only when the trial has had its turn.
const longSlice = 100_000_000

// startLast starts a process that gives way: within what it shares with others it is
// given a processor that nobody wants, and the disk when nobody reads. On Linux such
// priorities are a thread's, and a process gets those of the thread that starts it:
// this one is not used for anything else afterwards. It is also a session of its own:
// where the kernel shares processors out among sessions (sched(7), autogroup), what the
// process uses would be taken off what the daemon is due, whatever its priority there.
// Its own session gets less than others, but not the least: with that, a trial on a
// computer that has other work to do for hours would stand still for hours. All are
// favours; without them the process still has its bounded share.
func startLast(cmd *exec.Cmd) error {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	started := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		_ = syscall.Setpriority(syscall.PRIO_PROCESS, 0, niceness)
		giveWay()
		// ioprio_set(2): of this thread, to the class of who reads last.
		const whoThread, classIdle = 1, 3 << 13
		_, _, _ = unix.Syscall(unix.SYS_IOPRIO_SET, whoThread, 0, classIdle)
		started <- cmd.Start()
	}()
	if err := <-started; err != nil {
		return err
	}
	_ = os.WriteFile(fmt.Sprintf("/proc/%d/autogroup", cmd.Process.Pid), []byte(strconv.Itoa(groupNice)), 0)
	return nil
}

// giveWay makes the calling thread one that lets others go first. Kernels that know of
// slices (6.12 and later) take the long one; on others what runs when nobody else wants
// the processor comes nearest.
func giveWay() {
	long := unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_BATCH, Nice: niceness, Runtime: longSlice}
	if unix.SchedSetAttr(0, &long, 0) == nil {
		if is, err := unix.SchedGetAttr(0, 0); err == nil && is.Runtime == longSlice {
			return
		}
	}
	_ = unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_IDLE, Nice: niceness}, 0)
}
