package page

import (
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
)

func TestFiles(t *testing.T) {
	built := fstest.MapFS{"index.html": {Data: []byte("<title>Ashlamp</title>")}, ".keep": {}}
	tests := []struct {
		name string
		in   fs.FS
		want string
	}{
		{name: "a build is served as it is", in: built, want: "<title>Ashlamp</title>"},
		{name: "a clean clone says how to build", in: fstest.MapFS{".keep": {}}, want: "npm ci &amp;&amp; npm run build"},
		{name: "nothing at all says how to build", in: fstest.MapFS{}, want: "npm ci &amp;&amp; npm run build"},
		{name: "what is embedded has a page", in: Files(), want: "<title>Ashlamp"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := fs.ReadFile(builtOr(tt.in, within("unbuilt")), "index.html")
			if err != nil {
				t.Fatalf("index.html: %v", err)
			}
			if !strings.Contains(string(got), tt.want) {
				t.Errorf("index.html = %q, want it to contain %q", got, tt.want)
			}
		})
	}
}
