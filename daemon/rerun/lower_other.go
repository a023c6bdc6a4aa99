//go:build !linux

package rerun

// lower does nothing: a thread's priority cannot be set by itself here.
func lower() {}
