// Package store keeps the series, the engines' books and small states in one
// SQLite file, so that what was acknowledged is still there after the plug is
// pulled.
//
// # How samples lie in the file
//
// A sample is committed as a row of the table fresh, whose key begins with the
// time. Samples arrive nearly in order of time, so that a commit touches one or
// two pages whatever the number of channels; a key that began with the series
// would touch one page a channel, each written twice (to the log and to the
// file), and the memory card of a small board wears by the page.
//
// Once a minute, in the transaction of an ordinary append, the rows of the
// minutes gone by are sealed: the samples of one series within one minute become
// one chunk (see codec.go: differences of whole resolution units where the
// values allow it, every float64 given back bit for bit), and its sum goes into
// the tables minute and hour, from which long spans are drawn. A sample that
// arrives for a sealed minute is put into its place in the chunk in the same
// transaction as everything else.
//
// At every moment a sample is in exactly one of fresh and chunk: those of
// minutes up to Store.top are in chunk, the later ones in fresh.
//
// # Reading
//
// Reads go through connections of their own and see the file as it was when they
// began; the writer never waits for them. Iterators read in slices, each a short
// transaction of its own that has ended before the first of its items is handed
// out, so that a slow reader never keeps the log from being written back.
//
// One process may write at a time; [Open] refuses a second. Others may read
// ([ReadOnly]).
package store
