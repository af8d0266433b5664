package web

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/evanw/esbuild/pkg/api"
)

// packs are the files a phone loads in place of many small ones: the name it
// asks for, and the source it is made from. A pool's network answers each
// request slowly, and a page that is whole needs no server in a hold.
var packs = map[string]string{
	"app.js":    "app.js",
	"worker.js": "sync/worker.js",
	"style.css": "style/all.css",
	workerName:  "offline/sw.js",
}

// workerName is the service worker, which is served from the top: it may only
// look after what lies below itself.
const workerName = "sw.js"

// Pack joins the page's modules and styles into the files of packs. It is done
// once, when the server starts; the sources stay as they are written.
func Pack(source fs.FS) (map[string][]byte, error) {
	made := map[string][]byte{}
	for name, entry := range packs {
		result := api.Build(api.BuildOptions{
			EntryPoints:       []string{entry},
			Bundle:            true,
			Format:            api.FormatESModule,
			Target:            api.ES2022,
			MinifyWhitespace:  true,
			MinifyIdentifiers: true,
			MinifySyntax:      true,
			LegalComments:     api.LegalCommentsNone,
			LogLevel:          api.LogLevelSilent,
			Plugins:           []api.Plugin{readFrom(source)},
		})
		if len(result.Errors) > 0 {
			return nil, fmt.Errorf("the page's %s cannot be packed: %w", entry, problems(result.Errors))
		}
		made[name] = result.OutputFiles[0].Contents
	}
	return made, nil
}

// readFrom lets the packer read the embedded files, and nothing else.
func readFrom(source fs.FS) api.Plugin {
	const space = "page"
	return api.Plugin{Name: space, Setup: func(build api.PluginBuild) {
		build.OnResolve(api.OnResolveOptions{Filter: ".*"}, func(a api.OnResolveArgs) (api.OnResolveResult, error) {
			if a.Kind == api.ResolveEntryPoint {
				// esbuild writes ./ before a name that is also a file of the present folder.
				return api.OnResolveResult{Path: path.Clean(a.Path), Namespace: space}, nil
			}
			if !strings.HasPrefix(a.Path, "./") && !strings.HasPrefix(a.Path, "../") {
				return api.OnResolveResult{}, fmt.Errorf("%s imports %q, which is not a file of the page", a.Importer, a.Path)
			}
			return api.OnResolveResult{Path: path.Join(path.Dir(a.Importer), a.Path), Namespace: space}, nil
		})
		build.OnLoad(api.OnLoadOptions{Filter: ".*", Namespace: space}, func(a api.OnLoadArgs) (api.OnLoadResult, error) {
			text, err := fs.ReadFile(source, a.Path)
			if err != nil {
				return api.OnLoadResult{}, err
			}
			contents := string(text)
			loader := api.LoaderJS
			if path.Ext(a.Path) == ".css" {
				loader = api.LoaderCSS
			}
			return api.OnLoadResult{Contents: &contents, Loader: loader}, nil
		})
	}}
}

func problems(messages []api.Message) error {
	var all []error
	for _, m := range messages {
		where := ""
		if m.Location != nil {
			where = fmt.Sprintf("%s:%d: ", m.Location.File, m.Location.Line)
		}
		all = append(all, errors.New(where+m.Text))
	}
	return errors.Join(all...)
}
