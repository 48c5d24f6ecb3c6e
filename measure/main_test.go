package measure

import (
	"testing"

	"meterwright/internal/test/soak"
)

func TestMain(m *testing.M) { soak.Main(m, "20000") }
