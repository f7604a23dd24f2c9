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
		_ = unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_IDLE, Nice: niceness}, 0)
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
