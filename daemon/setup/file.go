package setup

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Suffixes of the files beside the configuration.
const (
	// Old is that of the configuration before the last change by set-up.
	Old = ".old"
	// fresh is that of a text that is being written.
	fresh = ".new"
)

// hashOf stands for a text.
func hashOf(text []byte) string {
	h := sha256.Sum256(text)
	return hex.EncodeToString(h[:16])
}

// read returns the file's text; nil where there is none.
func read(path string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	if text == nil {
		text = []byte{}
	}
	return text, nil
}

// Put writes a configuration as set-up does: at no moment is there half a file.
func Put(path string, text []byte) error { return write(path, text) }

// write puts a text in place of the file in one step: at no moment is there half a
// file, whatever happens to the power. A link stays one, and the mode is kept.
func write(path string, text []byte) error {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	mode := fs.FileMode(0o640)
	if info, err := os.Stat(path); err == nil {
		mode = info.Mode().Perm()
	}
	f, err := os.OpenFile(path+fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return fmt.Errorf("write configuration: %w; let the daemon write in that folder", err)
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(path+fresh, path)
	}
	if err != nil {
		_ = os.Remove(path + fresh)
		return fmt.Errorf("write configuration: %w; look at the disk", err)
	}
	// So that the new name, too, outlives the power.
	if dir, err := os.Open(filepath.Dir(path)); err == nil {
		_ = dir.Sync() // a file system that cannot has nothing better
		_ = dir.Close()
	}
	return nil
}

// begun is the text that set-up begins with where there is none.
func begun(path, listen, usual string) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, `# The shed's configuration, begun by set-up. It is yours to edit: set-up leaves what
# you write as it is, and keeps the file before each change as %[1]s%[2]s.
# "ashlamp check -c %[1]s" judges it.

[shed]
`, filepath.Base(path), Old)
	if zone := localZone(); zone != "" {
		fmt.Fprintf(&b, "timezone = %q\n", zone)
	}
	if listen != usual {
		fmt.Fprintf(&b, "\n[http]\nlisten = %q\n", listen)
	}
	return b.Bytes()
}

// localZone is the machine's own time zone by its IANA name; empty where it has none.
func localZone() string {
	if link, err := os.Readlink("/etc/localtime"); err == nil {
		if _, zone, ok := strings.Cut(link, "zoneinfo/"); ok {
			return zone
		}
	}
	return ""
}

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("put the files back: %w", err)
	}
	return nil
}
