package main

import (
	"encoding"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/swaggest/jsonschema-go"
	"github.com/swaggest/openapi-go"
	"github.com/swaggest/openapi-go/openapi31"

	"ashlamp/dashboard/api"
	"ashlamp/dashboard/message"
	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// documented are the folders, from the module's root, whose comments become descriptions.
var documented = []string{"dashboard/api", "dashboard/message", "rules/alarm", "rules/cooldown", "rules/notice", "rules/telemetry", "rules/verdict"}

// enumerations are the values of named types that are written as one of a few words.
var enumerations = map[reflect.Type][]any{
	reflect.TypeFor[verdict.Verdict]():   {verdict.CannotTell, verdict.NotYet, verdict.Proven},
	reflect.TypeFor[telemetry.Quality](): {telemetry.Bad, telemetry.Uncertain, telemetry.Good},
	reflect.TypeFor[telemetry.LayUp]():   {telemetry.LayUp(""), telemetry.Short, telemetry.Dry, telemetry.Wet},
	reflect.TypeFor[alarm.Priority]():    {alarm.Low, alarm.Medium, alarm.High},
	reflect.TypeFor[notice.Kind]():       kinds(),
}

func kinds() (out []any) {
	for _, k := range notice.Kinds() {
		out = append(out, k)
	}
	return out
}

// document returns the OpenAPI document for api.Operations, indented, with a
// newline at its end. root is the module's folder.
func document(root string) ([]byte, error) {
	words, err := comments(root)
	if err != nil {
		return nil, err
	}
	sent := sentTypes()
	r := openapi31.NewReflector()
	r.Spec.Info.WithTitle("Ashlamp").WithVersion("1").WithDescription(
		"What has been proven about an engine that is being put away, what not yet, and what cannot be told. " +
			"Times are UTC (RFC 3339), values in the channel's own SI unit.")
	r.Spec.WithServers(openapi31.Server{URL: api.Prefix})
	r.DefaultOptions = append(r.DefaultOptions,
		jsonschema.InterceptDefName(func(t reflect.Type, _ string) string { return t.Name() }),
		jsonschema.InterceptSchema(func(p jsonschema.InterceptSchemaParams) (bool, error) {
			return words.describe(p, sent)
		}),
		jsonschema.InterceptNullability(neverNullList),
	)
	for _, op := range api.Operations() {
		if err := add(r, op, words); err != nil {
			return nil, err
		}
	}
	raw, err := json.Marshal(r.Spec)
	if err != nil {
		return nil, err
	}
	// Through a map once more: the keys are then in one order, whatever the library does.
	var tree any
	if err := json.Unmarshal(raw, &tree); err != nil {
		return nil, err
	}
	doc, err := json.MarshalIndent(tree, "", " ")
	return append(doc, '\n'), err
}

func add(r *openapi31.Reflector, op api.Operation, words docs) error {
	oc, err := r.NewOperationContext(op.Method, op.Path)
	if err != nil {
		return err
	}
	oc.SetID(op.ID)
	oc.SetSummary(op.Summary)
	if op.Description != "" {
		oc.SetDescription(op.Description)
	}
	if op.Request != nil {
		oc.AddReqStructure(op.Request)
	}
	if op.Body != nil {
		oc.AddReqStructure(op.Body, openapi.WithContentType("application/json"),
			openapi.WithCustomize(func(c openapi.ContentOrReference) {
				if body, ok := c.(*openapi31.RequestBodyOrReference); ok {
					body.RequestBodyEns().WithRequired(!op.BodyOptional)
				}
			}))
	}
	media := "application/json"
	if op.Media != "" {
		media = op.Media
	}
	oc.AddRespStructure(op.Response, openapi.WithHTTPStatus(op.Status), openapi.WithContentType(media))
	for _, status := range append([]int{http.StatusInternalServerError}, op.Problems...) {
		oc.AddRespStructure(message.Problem{}, openapi.WithHTTPStatus(status),
			openapi.WithContentType("application/problem+json"))
	}
	if err := r.AddOperation(oc); err != nil {
		return err
	}
	// The library does not ask the schema hooks about parameters.
	made, err := pathOperation(r, op)
	if err != nil {
		return err
	}
	for i := range made.Parameters {
		p := made.Parameters[i].Parameter
		if text, required, ok := words.parameter(reflect.TypeOf(op.Request), p.Name); ok {
			if text != "" {
				p.WithDescription(text)
			}
			if required {
				p.WithRequired(true)
			}
		}
	}
	return nil
}

// sentTypes are the types of the bodies that clients send. Unknown fields are
// refused in these; in what is answered, a newer version may add some.
func sentTypes() map[reflect.Type]bool {
	sent := map[reflect.Type]bool{}
	for _, op := range api.Operations() {
		if op.Body == nil {
			continue
		}
		addSent(sent, reflect.TypeOf(op.Body))
		if forms, ok := op.Body.(jsonschema.OneOfExposer); ok {
			for _, form := range forms.JSONSchemaOneOf() {
				addSent(sent, reflect.TypeOf(form))
			}
		}
	}
	return sent
}

// addSent adds a type and those of ours within it; those that are also answered keep
// to what is sent, which is all that there is of them.
func addSent(sent map[reflect.Type]bool, t reflect.Type) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || !strings.HasPrefix(t.PkgPath(), "ashlamp/") || sent[t] {
		return
	}
	sent[t] = true
	for i := range t.NumField() {
		addSent(sent, t.Field(i).Type)
	}
}

func pathOperation(r *openapi31.Reflector, op api.Operation) (*openapi31.Operation, error) {
	item := r.Spec.Paths.MapOfPathItemValues[op.Path]
	return item.Operation(strings.ToLower(op.Method))
}

// neverNullList takes back the library's assumption that a list or a map may be
// null: what is sent has been through message's Whole.
func neverNullList(p jsonschema.InterceptNullabilityParams) {
	if k := p.Type.Kind(); (k == reflect.Slice || k == reflect.Map) && p.NullAdded {
		p.Schema.RemoveType(jsonschema.Null)
	}
}

// docs are doc comments by "Type" and "Type.Field".
type docs map[string]string

func comments(root string) (docs, error) {
	d := docs{}
	for _, dir := range documented {
		files, err := os.ReadDir(filepath.Join(root, dir))
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
				continue
			}
			tree, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, dir, f.Name()), nil, parser.ParseComments)
			if err != nil {
				return nil, err
			}
			d.read(filepath.Base(dir), tree)
		}
	}
	return d, nil
}

func (d docs) read(pkg string, file *ast.File) {
	for _, decl := range file.Decls {
		gen, ok := decl.(*ast.GenDecl)
		if !ok {
			continue
		}
		for _, spec := range gen.Specs {
			typ, ok := spec.(*ast.TypeSpec)
			if !ok {
				continue
			}
			key := pkg + "." + typ.Name.Name
			if text := plain(gen.Doc.Text()); text != "" {
				d[key] = text
			}
			st, ok := typ.Type.(*ast.StructType)
			if !ok {
				continue
			}
			for _, field := range st.Fields.List {
				for _, name := range field.Names {
					if text := plain(field.Doc.Text()); text != "" {
						d[key+"."+name.Name] = text
					}
				}
			}
		}
	}
}

// plain is a doc comment as one line without Go's link brackets.
func plain(doc string) string {
	doc = strings.Join(strings.Fields(doc), " ")
	for _, link := range []string{"Word", "Shelf", "Live", "UnitOf", "Event"} {
		doc = strings.ReplaceAll(doc, "["+link+"]", link)
	}
	return doc
}

func key(t reflect.Type) string { return filepath.Base(t.PkgPath()) + "." + t.Name() }

// describe fills in what reflection alone does not know: the words of an
// enumeration, what is required (all that is not omitempty), and the comments.
func (d docs) describe(p jsonschema.InterceptSchemaParams, sent map[reflect.Type]bool) (bool, error) {
	t := p.Value.Type()
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.PkgPath() == "" || !strings.HasPrefix(t.PkgPath(), "ashlamp/") {
		return false, nil
	}
	if !p.Processed {
		return false, nil
	}
	if text := d[key(t)]; text != "" {
		p.Schema.WithDescription(text)
	}
	if values, ok := enumerations[t]; ok {
		list, err := wordsOf(values)
		if err != nil {
			return false, err
		}
		p.Schema.Enum = list
		p.Schema.WithType(jsonschema.String.Type())
	}
	if t.Kind() != reflect.Struct || len(p.Schema.Properties) == 0 {
		return false, nil
	}
	if len(p.Schema.OneOf) > 0 {
		// The forms say it all; beside them the fields would be said twice.
		p.Schema.Properties, p.Schema.Type = nil, nil
		return false, nil
	}
	for i := range t.NumField() {
		f := t.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		prop, ok := p.Schema.Properties[name]
		if !ok || prop.TypeObject == nil {
			continue
		}
		if text := d[key(t)+"."+f.Name]; text != "" {
			prop.TypeObject.WithDescription(text)
		}
		if ref := prop.TypeObject.Ref; ref != nil && f.Type.Kind() == reflect.Pointer && !strings.Contains(options, "omitempty") {
			// The library leaves out of a reference that it may be null.
			prop.TypeObject.Ref = nil
			null := jsonschema.Schema{}
			null.AddType(jsonschema.Null)
			prop.TypeObject.AnyOf = []jsonschema.SchemaOrBool{{TypeObject: &jsonschema.Schema{Ref: ref}}, {TypeObject: &null}}
		}
		if strings.Contains(options, "omitempty") {
			prop.TypeObject.RemoveType(jsonschema.Null)
		} else if !slices.Contains(p.Schema.Required, name) {
			p.Schema.Required = append(p.Schema.Required, name)
		}
	}
	if sent[t] {
		closed := false
		p.Schema.WithAdditionalProperties(jsonschema.SchemaOrBool{TypeBoolean: &closed})
	}
	return false, nil
}

// wordsOf are the values as they are written on the wire.
func wordsOf(values []any) ([]any, error) {
	var list []any
	for _, v := range values {
		if m, ok := v.(encoding.TextMarshaler); ok {
			text, err := m.MarshalText()
			if err != nil {
				return nil, err
			}
			list = append(list, string(text))
			continue
		}
		list = append(list, reflect.ValueOf(v).String())
	}
	return list, nil
}

// parameter looks up the comment of the field that is tagged with the
// parameter's name, and whether the tag says required.
func (d docs) parameter(t reflect.Type, name string) (text string, required, ok bool) {
	if t == nil {
		return "", false, false
	}
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous {
			if text, required, ok = d.parameter(f.Type, name); ok {
				return text, required, ok
			}
		}
		for _, tag := range []string{"path", "query"} {
			n, options, _ := strings.Cut(f.Tag.Get(tag), ",")
			if n == name {
				return d[key(t)+"."+f.Name], tag == "path" || options == "required", true
			}
		}
	}
	return "", false, false
}
