// Package en is English, as it is written in Great Britain.
package en

import (
	"embed"
	"io/fs"
	"sync"

	"meterwright/say"
)

//go:embed *.txt
var files embed.FS

// Language returns English. The error says what is wrong with the files of this package.
var Language = sync.OnceValues(func() (*say.Language, error) {
	texts := map[string]string{}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(name)
		texts[name] = string(b)
		return err
	})
	if err != nil {
		return nil, err
	}
	return say.Load("en", texts, func(n int) int {
		if n == 1 {
			return 0
		}
		return 1
	})
})
