package main

import (
	"bytes"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"ashlamp/dashboard/openapi"
)

func TestCheckedInDocumentIsWhatTheDeclarationsSay(t *testing.T) {
	got, err := document("../../..")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, openapi.Document()) {
		t.Error("dashboard/openapi/openapi.json is out of date; run: go generate ./dashboard/openapi")
	}
}

func TestDocumentIsValidOpenAPI(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.Document())
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(t.Context(), openapi3.EnableSchemaFormatValidation()); err != nil {
		t.Error(err)
	}
}

func TestDocumentKeepsRequiredNullableAndWords(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.Document())
	if err != nil {
		t.Fatal(err)
	}
	schema := func(name string) *openapi3.Schema {
		s := doc.Components.Schemas[name]
		if s == nil {
			t.Fatalf("no schema %s", name)
		}
		return s.Value
	}
	for _, c := range []struct {
		schema, field      string
		required, nullable bool
		words              []any
	}{
		{schema: "Reading", field: "value", required: true, nullable: true},
		{schema: "Reading", field: "reason"},
		{schema: "Reading", field: "quality", required: true, words: []any{"bad", "uncertain", "good"}},
		{schema: "Step", field: "verdict", required: true, words: []any{"cannot-tell", "not-yet", "proven"}},
		{schema: "Step", field: "done"},
		{schema: "Step", field: "because", required: true},
		{schema: "State", field: "lay_up", required: true, words: []any{"", "short", "dry", "wet"}},
		{schema: "State", field: "channels", required: true},
		{schema: "Ask", field: "say", words: []any{"disposal-begin", "disposal-end", "fire-lit"}},
		{schema: "Ask", field: "confirm"},
		{schema: "Forecast", field: "eta", required: true, nullable: true},
		{schema: "Bucket", field: "mean", required: true, nullable: true},
		{schema: "Change", field: "asks"},
		{schema: "Change", field: "phase", words: []any{"in-steam", "fire-dropped", "blowing-down", "emptied", "cooling", "housed", "laid-up", "lighting-up"}},
	} {
		t.Run(c.schema+"."+c.field, func(t *testing.T) {
			s := schema(c.schema)
			p := s.Properties[c.field]
			if p == nil {
				t.Fatal("absent")
			}
			required := false
			for _, r := range s.Required {
				required = required || r == c.field
			}
			if required != c.required {
				t.Errorf("required: got %v, want %v", required, c.required)
			}
			if got := p.Value.Type.Includes("null"); got != c.nullable {
				t.Errorf("nullable: got %v, want %v", got, c.nullable)
			}
			if len(c.words) != len(p.Value.Enum) {
				t.Fatalf("words: got %v, want %v", p.Value.Enum, c.words)
			}
			for i, w := range c.words {
				if p.Value.Enum[i] != w {
					t.Errorf("words: got %v, want %v", p.Value.Enum, c.words)
				}
			}
		})
	}
}
