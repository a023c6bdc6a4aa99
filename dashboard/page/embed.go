// Package page holds the built page, so that the daemon is one file.
//
// The page itself is TypeScript in src, built into dist by "npm ci && npm run
// build" in this folder. Git keeps only dist/.keep, which lets a clean clone
// compile: without a build, [Files] has a plain page that says how to make one.
package page

import (
	"embed"
	"io/fs"
)

//go:embed all:dist unbuilt
var embedded embed.FS

// Files returns the built page with index.html at its root. Where it was not
// built, index.html says so and how to build it; it shows no engine.
func Files() fs.FS { return builtOr(within("dist"), within("unbuilt")) }

func builtOr(built, plain fs.FS) fs.FS {
	if _, err := fs.Stat(built, "index.html"); err != nil {
		return plain
	}
	return built
}

func within(dir string) fs.FS {
	files, err := fs.Sub(embedded, dir)
	if err != nil {
		panic("page: " + err.Error()) // Only where dir, a constant here, were no valid path.
	}
	return files
}
