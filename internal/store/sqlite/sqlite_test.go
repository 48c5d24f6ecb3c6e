package sqlite

import (
	"testing"

	"meterwright/internal/store/storetest"
)

func TestContract(t *testing.T) { storetest.Run(t, Open) }
