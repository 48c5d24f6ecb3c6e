// Package asset holds the fonts and scripts of others that pages use.
//
// They are copied into dist by web/build.sh and never committed. A program built without them
// works: its pages fall back to the system's fonts and to ordinary page loads.
package asset

import (
	"embed"
	"io/fs"
	"sync"
)

//go:embed all:dist
var dist embed.FS

// Files returns the files, such as fonts/IBMPlexSans-Regular.woff2.
var Files = sync.OnceValue(func() fs.FS {
	sub, err := fs.Sub(dist, "dist")
	if err != nil {
		return dist // dist is part of the program: this cannot be.
	}
	return sub
})

// Built reports whether the program was built with them.
func Built() bool {
	_, err := fs.Stat(Files(), "idiomorph.js")
	return err == nil
}
