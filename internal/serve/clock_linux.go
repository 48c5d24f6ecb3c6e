package serve

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

func systemClock() (string, func() time.Duration, bool) {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	id := strings.TrimSpace(string(b))
	if err != nil || len(id) != 36 {
		return "", nil, false
	}
	since := func() time.Duration {
		var t unix.Timespec
		if unix.ClockGettime(unix.CLOCK_BOOTTIME, &t) != nil {
			return 0
		}
		return time.Duration(t.Nano())
	}
	if since() == 0 {
		return "", nil, false
	}
	return "boot-" + id, since, true
}
