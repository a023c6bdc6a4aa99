package ingest

import "ashlamp/rules/telemetry"

// Appended is what became of one [Batch] in the store.
type Appended struct {
	Batch Batch
	// Fresh are the samples that the store did not hold before, in the order of
	// the batch.
	Fresh []telemetry.Sample
	// Conflicts are samples whose channel and time the store held already with
	// another value or quality. The first was kept; these are not stored.
	Conflicts []telemetry.Sample
	// Duplicates counts the samples that were held already, equal in everything.
	Duplicates int
}
