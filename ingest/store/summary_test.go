package store

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"ashlamp/rules/telemetry"
)

// TestAFileOfTheFirstSchema: what an older version wrote is brought up to date, keeps its
// samples and its book, and takes summaries.
func TestAFileOfTheFirstSchema(t *testing.T) {
	path := filepath.Join(t.TempDir(), "old.db")
	raw(t, path, migrations[0], "PRAGMA user_version = 1", fmt.Sprintf("PRAGMA application_id = %d", applicationID),
		"INSERT INTO series VALUES (1, 'quillet', 'firebox')",
		fmt.Sprintf("INSERT INTO fresh VALUES (%d, 1, 300.5, 0, 0, 0)", noon.UnixMicro()),
		"INSERT INTO state VALUES ('k', x'01')")
	for range 2 { // the second time there is nothing left to do
		s := opened(t, path)
		if n := count(t, s, telemetry.Firebox); n != 1 {
			t.Fatalf("%d samples, want the one that the older version wrote", n)
		}
		if _, ok, err := s.Get(t.Context(), "k"); !ok || err != nil {
			t.Fatalf("the state is %v, %v", ok, err)
		}
		if err := s.PutSummary(t.Context(), "quillet", Summary{ID: "d", Begun: noon, Ended: noon.Add(time.Hour), Body: json.RawMessage(`{}`)}); err != nil {
			t.Fatal(err)
		}
		got, err := s.Summaries(t.Context(), "quillet", 10)
		if err != nil || len(got) != 1 || !got[0].Ended.Equal(noon.Add(time.Hour)) {
			t.Fatalf("summaries %+v, %v; want one", got, err)
		}
		var version int
		if err := s.rdb.QueryRowContext(t.Context(), "PRAGMA user_version").Scan(&version); err != nil || version != len(migrations) {
			t.Fatalf("schema %d, %v; want %d", version, err, len(migrations))
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
