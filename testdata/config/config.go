// Package config holds the commented example of a shed's configuration, which is
// also what the demonstration begins with.
package config

import _ "embed"

// Fernhollow is the shed of an invented railway with two engines.
//
//go:embed fernhollow.toml
var Fernhollow []byte
