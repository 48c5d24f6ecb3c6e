//go:build !linux

package serve

import "time"

func systemClock() (string, func() time.Duration, bool) { return "", nil, false }
