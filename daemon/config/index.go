package config

import (
	"fmt"

	"github.com/pelletier/go-toml/v2/unstable"
)

// index knows on which line each key of a TOML text stands, so that a complaint
// about a value can name it. Elements of an array of tables count from 0:
// "engine[1].channel[0].id".
type index map[string]int

// lines reads the positions of all keys. A text that does not parse gives what
// was found before the fault.
func lines(text []byte) index {
	at := index{}
	count := map[string]int{}
	var p unstable.Parser
	p.Reset(text)
	prefix := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			prefix = ""
			it := e.Key()
			line := 0
			for it.Next() {
				n := it.Node()
				line = p.Shape(n.Raw).Start.Line
				name := join(prefix, string(n.Data))
				last := n.Next() == nil || !n.Next().Valid()
				if e.Kind == unstable.ArrayTable && last {
					count[name]++
				}
				if c := count[name]; c > 0 {
					name = fmt.Sprintf("%s[%d]", name, c-1)
				}
				prefix = name
			}
			at.put(prefix, line)
		case unstable.KeyValue:
			at.keyValue(&p, prefix, e)
		}
	}
	return at
}

func (at index) keyValue(p *unstable.Parser, prefix string, e *unstable.Node) {
	name := prefix
	line := 0
	it := e.Key()
	for it.Next() {
		n := it.Node()
		line = p.Shape(n.Raw).Start.Line
		name = join(name, string(n.Data))
	}
	at.put(name, line)
	if v := e.Value(); v != nil && v.Kind == unstable.InlineTable {
		children := v.Children()
		for children.Next() {
			at.keyValue(p, name, children.Node())
		}
	}
}

func join(prefix, name string) string {
	if prefix == "" {
		return name
	}
	return prefix + "." + name
}

func (at index) put(name string, line int) {
	if _, ok := at[name]; !ok {
		at[name] = line
	}
}

// line returns where a key stands, or where the nearest key around it does.
func (at index) line(key string) int {
	for {
		if n, ok := at[key]; ok {
			return n
		}
		cut := -1
		for i, c := range key {
			if c == '.' || c == '[' {
				cut = i
			}
		}
		if cut < 0 {
			return 1
		}
		key = key[:cut]
	}
}
