package store

import "os"

// syncDir does nothing: Windows has no sync of a directory, and NTFS journals its names.
func syncDir(*os.File) error { return nil }
