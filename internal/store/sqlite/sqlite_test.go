package sqlite

import (
	"testing"

	"meterwright/internal/test/storetest"
)

func TestContract(t *testing.T) { storetest.Run(t, Open) }
