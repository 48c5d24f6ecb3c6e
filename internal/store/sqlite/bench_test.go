package sqlite

import (
	"testing"

	"meterwright/internal/store/storetest"
)

func BenchmarkIngest(b *testing.B) { storetest.Ingest(b, Open) }
