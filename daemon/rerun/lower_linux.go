package rerun

import "syscall"

// nice is the lowest priority but for what runs only on an idle machine (setpriority(2):
// -20 to 19). Common practice, no source.
const nice = 10

// lower makes the calling thread give way: on Linux a priority is a thread's own
// (setpriority(2), "C library/kernel differences"). One that may not goes on as it was.
func lower() { _ = syscall.Setpriority(syscall.PRIO_PROCESS, syscall.Gettid(), nice) }
