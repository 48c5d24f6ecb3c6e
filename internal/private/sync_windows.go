package private

import "os"

// SyncOpen does nothing: Windows has no sync of a folder, and NTFS journals its names.
func SyncOpen(*os.File) error { return nil }

// beyond finds nothing: on Windows a file has the rights of its folder, which no mode tells.
func beyond(os.FileMode) os.FileMode { return 0 }
