package store_test

import (
	"path/filepath"
	"testing"

	"ashlamp/ingest/store"
	"ashlamp/ingest/store/storetest"
)

func open(t testing.TB, path string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) *store.Store { return open(t, filepath.Join(t.TempDir(), "ashlamp.db")) })
}
