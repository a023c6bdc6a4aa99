// Package edit changes a TOML text in place: what is not touched keeps its bytes,
// comments, order and blank lines among them.
//
// The positions come from the parser of the library that the configuration is read
// with, so that both see the same text. Each change is read again before it is kept,
// and must differ from what was there in nothing but what was asked for; a text in
// which that cannot be had is refused, never bent. So a person's file may be written
// in any way that TOML allows, and the worst that can happen is that they have to make
// the change by hand.
package edit

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Document is a TOML text. A path in it is as "engine[1].limits.hold_s": elements of
// an array of tables count from 0, and a key that is not bare is quoted.
type Document struct {
	text   []byte
	tables []table
	values []value
	tree   map[string]any
}

// table is what follows a header, or the text before the first one.
type table struct {
	path  string
	array bool
	// start and end bound it, from the beginning of the header's line to the end of
	// the line of its last key (or of the header), the line's end included. Comments
	// and blank lines after that may belong to what follows.
	start, end int
	indent     string
	// keysEnd is where a further key goes, keyIndent how far in.
	keyIndent string
	// implicit is the head of the text, which has no header.
	implicit bool
}

// value is a key with its value, wherever it stands.
type value struct {
	path string
	// start and end bound key and value, from and to the value alone.
	start, end, from, to int
	// table is the index of the table that it stands in.
	table int
	// inline is that it stands in an inline table.
	inline bool
	// isInline is that its value is an inline table, brace where that begins.
	isInline bool
	brace    int
	list     bool
}

// Parse reads a text. The error is that of the TOML library.
func Parse(text []byte) (*Document, error) {
	d := &Document{text: bytes.Clone(text), tree: map[string]any{}}
	if err := toml.Unmarshal(d.text, &d.tree); err != nil {
		return nil, fmt.Errorf("read the text as TOML: %w", err)
	}
	d.scan()
	return d, nil
}

// Text returns the text as it is now. The caller may keep it.
func (d *Document) Text() []byte { return bytes.Clone(d.text) }

// segment is a key as it stands in a text or a path.
func segment(key string) string {
	bare := key != ""
	for _, c := range []byte(key) {
		bare = bare && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_')
	}
	if bare {
		return key
	}
	return Text(key).text
}

// Join returns the path of a key within another path; keys are not yet quoted.
func Join(path string, keys ...string) string {
	for _, k := range keys {
		if path != "" {
			path += "."
		}
		path += segment(k)
	}
	return path
}

// At returns the path of an element of an array of tables.
func At(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// under reports whether a path is another or within it.
func under(path, of string) bool {
	rest, ok := strings.CutPrefix(path, of)
	return ok && (of == "" || rest == "" || rest[0] == '.' || rest[0] == '[')
}

// scan finds where everything stands. The text is known to be good.
func (d *Document) scan() {
	d.tables = []table{{implicit: true}}
	d.values = nil
	count := map[string]int{}
	var p unstable.Parser
	p.Reset(d.text)
	prefix := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			path, at := "", 0
			for it := e.Key(); it.Next(); {
				n := it.Node()
				at = int(n.Raw.Offset)
				path = Join(path, string(n.Data))
				last := n.Next() == nil || !n.Next().Valid()
				if e.Kind == unstable.ArrayTable && last {
					count[path]++
				}
				if c := count[path]; c > 0 {
					path = At(path, c-1)
				}
			}
			prefix = path
			start, end := d.line(at)
			indent := d.indent(start)
			d.tables = append(d.tables, table{
				path: path, array: e.Kind == unstable.ArrayTable, start: start, end: end, indent: indent, keyIndent: indent,
			})
		case unstable.KeyValue:
			t := &d.tables[len(d.tables)-1]
			d.keyValue(e, prefix, len(d.tables)-1, false)
			start, _ := d.line(int(e.Raw.Offset))
			_, t.end = d.line(int(e.Raw.Offset + e.Raw.Length))
			t.keyIndent = d.indent(start)
		}
	}
}

func (d *Document) keyValue(e *unstable.Node, prefix string, t int, inline bool) {
	v := value{start: int(e.Raw.Offset), end: int(e.Raw.Offset + e.Raw.Length), table: t, inline: inline}
	v.path = prefix
	keyEnd := v.start
	for it := e.Key(); it.Next(); {
		n := it.Node()
		v.path = Join(v.path, string(n.Data))
		keyEnd = int(n.Raw.Offset + n.Raw.Length)
	}
	v.from = keyEnd + bytes.IndexByte(d.text[keyEnd:], '=') + 1
	for v.from < v.end && (d.text[v.from] == ' ' || d.text[v.from] == '\t') {
		v.from++
	}
	v.to = v.end
	// Whitespace after the value is not of it.
	for v.to > v.from && (d.text[v.to-1] == ' ' || d.text[v.to-1] == '\t') {
		v.to--
	}
	v.end = v.to
	child := e.Value()
	v.isInline = child.Kind == unstable.InlineTable
	v.list = child.Kind == unstable.Array
	v.brace = v.from
	d.values = append(d.values, v)
	d.inside(child, v.path, t)
}

// inside looks through a value for the keys of inline tables.
func (d *Document) inside(n *unstable.Node, path string, t int) {
	switch n.Kind {
	case unstable.InlineTable:
		for it := n.Children(); it.Next(); {
			if c := it.Node(); c.Kind == unstable.KeyValue {
				d.keyValue(c, path, t, true)
			}
		}
	case unstable.Array:
		i := 0
		for it := n.Children(); it.Next(); {
			c := it.Node()
			if c.Kind == unstable.Comment {
				continue
			}
			if c.Kind == unstable.InlineTable {
				d.values = append(d.values, value{path: At(path, i), table: t, inline: true, isInline: true, brace: int(c.Raw.Offset), from: -1})
			}
			d.inside(c, At(path, i), t)
			i++
		}
	}
}

// line returns the bounds of the line around an offset, its end included.
func (d *Document) line(at int) (start, end int) {
	start = bytes.LastIndexByte(d.text[:at], '\n') + 1
	if i := bytes.IndexByte(d.text[at:], '\n'); i >= 0 {
		return start, at + i + 1
	}
	return start, len(d.text)
}

func (d *Document) indent(start int) string {
	end := start
	for end < len(d.text) && (d.text[end] == ' ' || d.text[end] == '\t') {
		end++
	}
	return string(d.text[start:end])
}

// eol is the line's end that the text uses.
func (d *Document) eol() string {
	if i := bytes.IndexByte(d.text, '\n'); i > 0 && d.text[i-1] == '\r' {
		return "\r\n"
	}
	return "\n"
}

// Len returns how many elements an array of tables has.
func (d *Document) Len(path string) int {
	n := 0
	for _, t := range d.tables {
		if t.array && strings.HasPrefix(t.path, path+"[") && under(t.path, path) && !strings.Contains(t.path[len(path):], ".") {
			n++
		}
	}
	if n > 0 {
		return n
	}
	list, _ := d.get(path).([]any)
	return len(list)
}

// Find returns the index of the element whose key holds the text, -1 where there is none.
func (d *Document) Find(path, key, text string) int {
	for i := range d.Len(path) {
		if s, ok := d.get(Join(At(path, i), key)).(string); ok && s == text {
			return i
		}
	}
	return -1
}

// Has reports whether there is anything at a path.
func (d *Document) Has(path string) bool { return d.get(path) != nil }

// get returns what stands at a path, nil where there is nothing.
func (d *Document) get(path string) any {
	var at any = d.tree
	for _, s := range steps(path) {
		switch v := at.(type) {
		case map[string]any:
			at = v[s.key]
		case []any:
			if s.index < 0 || s.index >= len(v) {
				return nil
			}
			at = v[s.index]
		default:
			return nil
		}
	}
	return at
}

// step is a key, or an index where it is 0 or more.
type step struct {
	key   string
	index int
}

// steps takes a path apart.
func steps(path string) []step {
	var out []step
	for i := 0; i < len(path); {
		switch path[i] {
		case '.':
			i++
		case '[':
			j := i + strings.IndexByte(path[i:], ']')
			n, err := strconv.Atoi(path[i+1 : j])
			if err != nil {
				n = -1
			}
			out = append(out, step{index: n})
			i = j + 1
		case '"':
			j := i + 1
			for path[j] != '"' {
				if path[j] == '\\' {
					j++
				}
				j++
			}
			var q struct {
				K string `toml:"k"`
			}
			_ = toml.Unmarshal([]byte("k = "+path[i:j+1]), &q) // it was quoted by segment
			out = append(out, step{q.K, -1})
			i = j + 1
		default:
			j := i
			for j < len(path) && path[j] != '.' && path[j] != '[' {
				j++
			}
			out = append(out, step{path[i:j], -1})
			i = j
		}
	}
	return out
}

// last splits a path that ends in a key.
func last(path string) (parent, key string) {
	s := steps(path)
	if len(s) == 0 {
		return "", ""
	}
	key = s[len(s)-1].key
	parent = strings.TrimSuffix(strings.TrimSuffix(path, segment(key)), ".")
	return parent, key
}

func refuse(format string, args ...any) error { return fmt.Errorf(format, args...) }

// Set gives the key at a path a value. Where it has one, only the value is replaced;
// else the key goes after the last of its table, which is made where there is none.
// The element of an array of tables that it stands in must be there.
func (d *Document) Set(path string, v Value) error {
	if v.text == "" {
		return refuse("%s would have no value; give a finite one", path)
	}
	want, err := decoded(v)
	if err != nil {
		return err
	}
	if old := d.get(path); old != nil && equal(old, want) {
		return nil // as a person wrote it
	}
	next, err := d.withSet(path, v)
	if err != nil {
		return err
	}
	expected := clone(d.tree).(map[string]any)
	if !put(expected, steps(path), want) {
		return refuse("%s cannot be set: what it stands in is no table; write that as a table", path)
	}
	return d.keep(next, expected, path)
}

func (d *Document) withSet(path string, v Value) ([]byte, error) {
	eol := d.eol()
	for _, have := range d.values {
		if have.path == path && have.from >= 0 {
			start, _ := d.line(have.start)
			return splice(d.text, have.from, have.to, v.indented(d.indent(start), eol)), nil
		}
	}
	parent, key := last(path)
	// Within an inline table.
	for _, have := range d.values {
		if have.path == parent && have.isInline {
			return d.intoInline(have, segment(key)+" = "+strings.ReplaceAll(v.text, "\n", "")), nil
		}
	}
	// After dotted keys of the same table, which a header would contradict.
	for i := len(d.values) - 1; i >= 0; i-- {
		have := d.values[i]
		home := d.tables[have.table].path
		if !have.inline && home != parent && under(home, "") && have.path != parent && under(have.path, parent) && under(parent, home) {
			start, end := d.line(have.end)
			keyStart, _ := d.line(have.start)
			indent := d.indent(keyStart)
			relative := strings.TrimPrefix(strings.TrimPrefix(path, home), ".")
			return d.insert(start, end, indent+relative+" = "+v.indented(indent, eol)+eol), nil
		}
	}
	if t := d.table(parent); t != nil {
		if t.implicit && t.end == 0 {
			return splice(d.text, 0, 0, segment(key)+" = "+v.indented("", eol)+eol), nil
		}
		return d.insert(t.start, t.end, t.keyIndent+segment(key)+" = "+v.indented(t.keyIndent, eol)+eol), nil
	}
	// A table of its own: within the element that it belongs to, before the tables that follow.
	owner := d.owner(parent)
	if owner == nil {
		return nil, refuse("%s cannot be set: there is no table for it in the text; add it by hand", path)
	}
	indent := d.childIndent(owner)
	block := indent + "[" + header(parent) + "]" + eol + indent + segment(key) + " = " + v.indented(indent, eol) + eol
	if owner.implicit {
		return d.atEnd(block), nil
	}
	return d.insert(owner.start, owner.end, block), nil
}

// insert puts text behind a line, which may be the last and without its end.
func (d *Document) insert(_, end int, text string) []byte {
	if end > 0 && d.text[end-1] != '\n' {
		text = d.eol() + text
	}
	return splice(d.text, end, end, text)
}

// atEnd puts a block behind everything, a blank line before it.
func (d *Document) atEnd(block string) []byte {
	eol := d.eol()
	before := ""
	switch {
	case len(d.text) == 0:
	case d.text[len(d.text)-1] != '\n':
		before = eol + eol
	case !d.blankBefore(len(d.text)):
		before = eol
	}
	return splice(d.text, len(d.text), len(d.text), before+block)
}

// blankBefore reports whether the line that ends at an offset is blank.
func (d *Document) blankBefore(at int) bool {
	if at == 0 {
		return true
	}
	start, _ := d.line(at - 1)
	return len(bytes.TrimSpace(d.text[start:at])) == 0
}

func (d *Document) intoInline(have value, text string) []byte {
	end := -1
	for _, c := range d.values {
		if c.inline && c.from >= 0 && c.path != have.path && under(c.path, have.path) {
			end = max(end, c.end)
		}
	}
	if end < 0 {
		return splice(d.text, have.brace+1, have.brace+1, " "+text+" ")
	}
	return splice(d.text, end, end, ", "+text)
}

func (d *Document) table(path string) *table {
	for i := range d.tables {
		if d.tables[i].path == path && (path != "" || d.tables[i].implicit) {
			return &d.tables[i]
		}
	}
	return nil
}

// owner is the table whose element a path belongs to: the nearest element of an array
// around it, or the head of the text.
func (d *Document) owner(path string) *table {
	for path != "" {
		if strings.HasSuffix(path, "]") {
			return d.table(path)
		}
		path, _ = last(path)
	}
	return d.table("")
}

// childIndent is how far in the tables of another stand.
func (d *Document) childIndent(owner *table) string {
	for _, t := range d.tables {
		if !t.implicit && t.path != owner.path && under(t.path, owner.path) && !owner.implicit {
			return t.indent
		}
	}
	return owner.indent
}

// header is a path without its indexes, as a table's header has it.
func header(path string) string {
	h := ""
	for _, s := range steps(path) {
		if s.index < 0 {
			h = Join(h, s.key)
		}
	}
	return h
}

// Append adds an element to an array of tables, behind those that there are, or
// behind all that its own element holds. It returns the element's path.
func (d *Document) Append(path string, fields ...Field) (string, error) {
	eol := d.eol()
	n := d.Len(path)
	element := At(path, n)
	for _, have := range d.values {
		if have.path == path {
			return "", refuse("%s is written in one line; write each of it as a table [[%s]], then more can be added", path, header(path))
		}
	}
	parent, _ := last(path)
	// Behind the last table that the siblings, else the element around them, hold.
	var behind, sibling *table
	for i := range d.tables {
		t := &d.tables[i]
		switch {
		case t.implicit:
		case under(t.path, path):
			behind = t
			if sibling == nil {
				sibling = t
			}
		case sibling == nil && parent != "" && under(t.path, parent):
			behind = t
		}
	}
	indent := ""
	switch {
	case sibling != nil:
		indent = sibling.indent
	case behind != nil:
		indent = d.childIndent(d.tableOr(parent, behind))
	}
	block := indent + "[[" + header(path) + "]]" + eol
	added := map[string]any{}
	for _, f := range fields {
		if f.Value.text == "" {
			return "", refuse("%s would have no value; give a finite one", Join(element, f.Key))
		}
		v, err := decoded(f.Value)
		if err != nil {
			return "", err
		}
		added[f.Key] = v
		block += indent + segment(f.Key) + " = " + f.Value.indented(indent, eol) + eol
	}
	var next []byte
	if behind == nil {
		next = d.atEnd(block)
	} else {
		next = d.insert(behind.start, behind.end, eol+block)
	}
	expected := clone(d.tree).(map[string]any)
	if !grow(expected, steps(path), added) {
		return "", refuse("%s cannot be added to: what it stands in is no table; write that as a table", path)
	}
	return element, d.keep(next, expected, path)
}

func (d *Document) tableOr(path string, or *table) *table {
	if t := d.table(path); t != nil && path != "" {
		return t
	}
	return or
}

// Delete takes out what stands at a path: a key with the comment in its line, or a
// table with all in it. Comments above a table stay: they may be of more than it.
// That there is nothing is no error.
func (d *Document) Delete(path string) error {
	if !d.Has(path) {
		return nil
	}
	text := d.text
	// From the end, so that positions before stay right.
	type cut struct{ from, to int }
	var cuts []cut
	for i := 0; i < len(d.tables); i++ {
		if d.tables[i].implicit || !under(d.tables[i].path, path) {
			continue
		}
		j := i
		for j+1 < len(d.tables) && under(d.tables[j+1].path, path) {
			j++
		}
		from, to := d.tables[i].start, d.tables[j].end
		if d.blankBefore(from) {
			// One of the two blank lines that would meet.
			if _, next := d.line(min(to, len(text))); to < len(text) && d.blankBefore(next) {
				to = next
			}
		}
		cuts = append(cuts, cut{from, to})
		i = j
	}
	for _, v := range d.values {
		if v.from < 0 || !under(v.path, path) || d.within(v, path) || under(d.tables[v.table].path, path) && !d.tables[v.table].implicit {
			continue
		}
		if v.inline {
			from, to, err := d.inlineCut(v)
			if err != nil {
				return err
			}
			cuts = append(cuts, cut{from, to})
			continue
		}
		from, _ := d.line(v.start)
		_, to := d.line(v.end)
		cuts = append(cuts, cut{from, to})
	}
	if len(cuts) == 0 {
		return refuse("%s is an element of a list that is written in one line; delete it by hand", path)
	}
	slices.SortFunc(cuts, func(a, b cut) int { return b.from - a.from })
	for _, c := range cuts {
		text = splice(text, c.from, c.to, "")
	}
	expected := clone(d.tree).(map[string]any)
	if !drop(expected, steps(path)) {
		return refuse("%s cannot be deleted from the text; delete it by hand", path)
	}
	return d.keep(text, expected, path)
}

// within reports whether a value stands inside another that a deletion takes already.
func (d *Document) within(v value, path string) bool {
	for _, o := range d.values {
		if o.from >= 0 && under(o.path, path) && o.path != v.path && o.from <= v.start && v.end <= o.to {
			return true
		}
	}
	return false
}

// inlineCut is a key of an inline table with the comma that goes with it.
func (d *Document) inlineCut(v value) (from, to int, err error) {
	from, to = v.start, v.end
	space := func(c byte) bool { return c == ' ' || c == '\t' }
	after := to
	for after < len(d.text) && space(d.text[after]) {
		after++
	}
	if after < len(d.text) && d.text[after] == ',' {
		after++
		for after < len(d.text) && space(d.text[after]) {
			after++
		}
		return from, after, nil
	}
	before := from
	for before > 0 && space(d.text[before-1]) {
		before--
	}
	if before > 0 && d.text[before-1] == ',' {
		return before - 1, to, nil
	}
	if before > 0 && d.text[before-1] == '{' {
		return from, to, nil
	}
	return 0, 0, refuse("%s stands in a table of one line that spans several; delete it by hand", v.path)
}

// keep takes a changed text if it reads as it should.
func (d *Document) keep(text []byte, expected map[string]any, path string) error {
	next, err := Parse(text)
	if err != nil || !equal(next.tree, expected) {
		return refuse("%s cannot be changed in the way in which the text is written; change it by hand", path)
	}
	*d = *next
	return nil
}

func splice(text []byte, from, to int, with string) []byte {
	return slices.Concat(text[:from], []byte(with), text[to:])
}

// decoded is what a value reads as.
func decoded(v Value) (any, error) {
	var m map[string]any
	if err := toml.Unmarshal([]byte("v = "+v.text), &m); err != nil {
		return nil, fmt.Errorf("the value %s is no TOML: %w", v.text, err)
	}
	return m["v"], nil
}

// equal compares what was decoded; whole numbers equal floats of the same value, for
// the configuration reads them alike, and nan equals nan.
func equal(a, b any) bool {
	switch x := a.(type) {
	case map[string]any:
		y, ok := b.(map[string]any)
		if !ok || len(x) != len(y) {
			return false
		}
		for k, v := range x {
			w, there := y[k]
			if !there || !equal(v, w) {
				return false
			}
		}
		return true
	case []any:
		y, ok := b.([]any)
		return ok && slices.EqualFunc(x, y, equal)
	case float64:
		switch y := b.(type) {
		case float64:
			return x == y || x != x && y != y
		case int64:
			return x == float64(y)
		}
		return false
	case int64:
		if y, ok := b.(float64); ok {
			return float64(x) == y
		}
	}
	return reflect.DeepEqual(a, b)
}

func clone(v any) any {
	switch x := v.(type) {
	case map[string]any:
		out := make(map[string]any, len(x))
		for k, e := range x {
			out[k] = clone(e)
		}
		return out
	case []any:
		out := make([]any, len(x))
		for i, e := range x {
			out[i] = clone(e)
		}
		return out
	}
	return v
}

// reach returns the table that holds the last step, making tables on the way.
func reach(tree map[string]any, path []step) (map[string]any, bool) {
	var at any = tree
	for _, s := range path {
		switch v := at.(type) {
		case map[string]any:
			if v[s.key] == nil {
				v[s.key] = map[string]any{}
			}
			at = v[s.key]
		case []any:
			if s.index < 0 || s.index >= len(v) {
				return nil, false
			}
			at = v[s.index]
		default:
			return nil, false
		}
	}
	m, ok := at.(map[string]any)
	return m, ok
}

func put(tree map[string]any, path []step, v any) bool {
	if len(path) == 0 || path[len(path)-1].index >= 0 {
		return false
	}
	m, ok := reach(tree, path[:len(path)-1])
	if ok {
		m[path[len(path)-1].key] = v
	}
	return ok
}

func grow(tree map[string]any, path []step, v map[string]any) bool {
	if len(path) == 0 || path[len(path)-1].index >= 0 {
		return false
	}
	m, ok := reach(tree, path[:len(path)-1])
	if !ok {
		return false
	}
	key := path[len(path)-1].key
	list, isList := m[key].([]any)
	if m[key] != nil && !isList {
		return false
	}
	m[key] = append(list, any(v))
	return true
}

func drop(tree map[string]any, path []step) bool {
	if len(path) == 0 {
		return false
	}
	end := path[len(path)-1]
	if end.index < 0 {
		m, ok := reach(tree, path[:len(path)-1])
		if ok {
			delete(m, end.key)
		}
		return ok
	}
	if len(path) < 2 || path[len(path)-2].index >= 0 {
		return false
	}
	m, ok := reach(tree, path[:len(path)-2])
	if !ok {
		return false
	}
	key := path[len(path)-2].key
	list, _ := m[key].([]any)
	if end.index >= len(list) {
		return false
	}
	if m[key] = slices.Delete(list, end.index, end.index+1); len(list) == 1 {
		delete(m, key)
	}
	return true
}

// TextAt returns the string at a path, and false where there is none.
func (d *Document) TextAt(path string) (string, bool) {
	s, ok := d.get(path).(string)
	return s, ok
}
