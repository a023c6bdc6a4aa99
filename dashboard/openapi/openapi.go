// Package openapi holds the OpenAPI 3.1 document of the HTTP interface. It is
// made from the Go declarations (package message, api.Operations) by the program
// in generate, checked in, and embedded, so that the daemon carries the document
// without the library that makes it. A test of generate fails while it is out of date.
package openapi

import _ "embed"

//go:generate go run ./generate -o openapi.json

//go:embed openapi.json
var document []byte

// Document returns the document as JSON, UTF-8. The caller may keep and change it.
func Document() []byte { return append([]byte(nil), document...) }
