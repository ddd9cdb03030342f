package storetest_test

import (
	"testing"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

func TestContract(t *testing.T) {
	storetest.Run(t, func(*testing.T) store.Store { return storetest.NewMemory() })
}
