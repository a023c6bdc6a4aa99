// Package mutation holds the judgement's own tests to account. Each line of its table
// weakens one evidence in the source, as a careless change might: the age of a sample
// skipped, an uncertainty dropped, a hold not begun anew. The weakened judgement is
// built and tested beside the sound one, and at least one test must fail.
//
// A weakening that no test notices is a hole in the tests. It is mended by a test in
// the package concerned that says plainly what must not be proven, never by taking
// the line away.
//
// The tree is not touched: the toolchain is handed the weakened file in an overlay
// (go help build, -overlay).
package mutation
