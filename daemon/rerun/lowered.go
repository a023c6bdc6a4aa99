package rerun

import "runtime"

// Lowered does f on a thread of its own, which gives way to the judgement of the evening
// that is; on systems where a thread cannot, as any other.
func Lowered(f func()) {
	done := make(chan struct{})
	go func() {
		// Never unlocked: the thread, with its priority, ends with the goroutine.
		runtime.LockOSThread()
		defer close(done)
		lower()
		f()
	}()
	<-done
}
