package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"

	"github.com/evanw/esbuild/pkg/api"
)

// packs are the files a phone loads in place of many small ones: the name it
// asks for, and the source it is made from. A pool's network answers each
// request slowly, and a page that is whole needs no server in a hold.
var packs = map[string]string{
	appName:     "app.js",
	"worker.js": "sync/worker.js",
	"style.css": "style/all.css",
	"later.css": "style/later.css",
	workerName:  "offline/sw.js",
}

// appName is the page's first module.
const appName = "app.js"

// workerName is the service worker, which is served from the top: it may only
// look after what lies below itself.
const workerName = "sw.js"

// Packed is the page as phones load it.
type Packed struct {
	Files map[string][]byte
	// First are the modules that the page's first one imports by itself, sorted.
	// What is not among them is loaded later, when somebody asks for it.
	First []string
}

// Pack joins the page's modules and styles into the files of packs. What a
// module imports only when asked for is packed apart, so that it does not hold
// up the live page. It is done once, when the server starts; the sources stay
// as they are written.
func Pack(source fs.FS) (*Packed, error) {
	made := &Packed{Files: map[string][]byte{}}
	results := make(map[string]*api.BuildResult, len(packs))
	var all sync.WaitGroup
	for name, entry := range packs {
		result := new(api.BuildResult)
		results[name] = result
		all.Go(func() { *result = build(source, name, entry) })
	}
	all.Wait()
	for name, result := range results {
		if len(result.Errors) > 0 {
			return nil, fmt.Errorf("the page's %s cannot be packed: %w", packs[name], problems(result.Errors))
		}
		for _, f := range result.OutputFiles {
			made.Files[path.Base(f.Path)] = f.Contents
		}
		if name == appName {
			if err := made.readFirst(result.Metafile); err != nil {
				return nil, err
			}
		}
	}
	return made, nil
}

// build makes one file of packs, and what it imports only when asked for.
func build(source fs.FS, name, entry string) api.BuildResult {
	return api.Build(api.BuildOptions{
		EntryPoints:       []string{entry},
		Outdir:            outDir,
		EntryNames:        strings.TrimSuffix(name, path.Ext(name)),
		ChunkNames:        "[name]-[hash]",
		Splitting:         name == appName,
		Metafile:          name == appName,
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
}

// outDir is where the packer believes it writes; nothing is written there.
const outDir = "/packed"

// readFirst finds, in the packer's own account of what it made, what the
// page's first module imports at once.
func (p *Packed) readFirst(account string) error {
	var made struct {
		Outputs map[string]struct {
			Imports []struct{ Path, Kind string }
		}
	}
	if err := json.Unmarshal([]byte(account), &made); err != nil {
		return fmt.Errorf("the packer's account of the page cannot be read: %w", err)
	}
	first := map[string]bool{}
	var follow func(name string)
	follow = func(name string) {
		for out, m := range made.Outputs {
			if path.Base(out) != name {
				continue
			}
			for _, i := range m.Imports {
				if base := path.Base(i.Path); i.Kind == "import-statement" && !first[base] {
					first[base] = true
					follow(base)
				}
			}
		}
	}
	follow(appName)
	p.First = slices.Sorted(maps.Keys(first))
	return nil
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
