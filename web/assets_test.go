package web_test

import (
	"compress/gzip"
	"encoding/json"
	"fmt"
	"image/png"
	"io"
	"net/http"
	"net/http/httptest"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"buddyclock/web"
)

func small() fstest.MapFS {
	return fstest.MapFS{
		"index.html":      {Data: []byte(`<link rel="stylesheet" href="./style.css"><script type="module" src="./app.js"></script><a href="https://example.org/./x">x</a>`)},
		"app.js":          {Data: []byte(`import {x} from './part.js'; document.title = x;`)},
		"part.js":         {Data: []byte(`export const x = "` + strings.Repeat("clock ", 100) + `";`)},
		"sync/worker.js":  {Data: []byte(`onmessage = () => {};`)},
		"offline/sw.js":   {Data: []byte(`self.onfetch = () => {};`)},
		"style/all.css":   {Data: []byte(`body { margin: 0 }`)},
		"style/later.css": {Data: []byte(`p { margin: 0 }`)},
		"icons/disc.svg":  {Data: []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`)},
		"tsconfig.json":   {Data: []byte(`{}`)},
		"embed.go":        {Data: []byte(`package web`)},
	}
}

func assets(t *testing.T, files fstest.MapFS) *web.Assets {
	a, err := web.NewAssets(files)
	require.NoError(t, err)
	return a
}

// get asks a handler for a path with headers given as pairs.
func get(handle http.HandlerFunc, path string, header ...string) *http.Response {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	handle(w, r)
	return w.Result()
}

func body(t *testing.T, r *http.Response) string {
	t.Helper()
	var from io.Reader = r.Body
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(r.Body)
		require.NoError(t, err)
		from = z
	}
	text, err := io.ReadAll(from)
	require.NoError(t, err)
	return string(text)
}

// Ensures that the index is never kept and names the files of its own version.
func TestIndexNamesItsVersion(t *testing.T) {
	a := assets(t, small())
	r := get(a.ServeIndex, "/")
	require.Equal(t, "no-store", r.Header.Get("Cache-Control"))
	require.Equal(t, "text/html; charset=utf-8", r.Header.Get("Content-Type"))
	text := body(t, r)
	require.Contains(t, text, `href="/v/`+a.Version()+`/style.css"`)
	require.Contains(t, text, `src="/v/`+a.Version()+`/app.js"`)
	require.Contains(t, text, `href="https://example.org/./x"`)
	for _, path := range a.Paths() {
		require.Equal(t, http.StatusOK, get(a.ServeFile, path).StatusCode, path)
	}
	require.Len(t, a.Paths(), 5, "modules are packed, and tools are not for phones")
}

// Ensures that what is imported only when asked for is a file of its own, and
// that what both need is asked for together with the first module.
func TestLaterModulesArePackedApart(t *testing.T) {
	files := small()
	files["app.js"].Data = []byte(`import {x} from './part.js'; document.title = x; import('./log.js');`)
	files["log.js"] = &fstest.MapFile{Data: []byte(`import {x} from './part.js'; export const log = 'the log of ' + x;`)}
	packed, err := web.Pack(files)
	require.NoError(t, err)
	require.Len(t, packed.First, 1, "what both need")
	require.NotContains(t, string(packed.Files["app.js"]), "the log of")
	a := assets(t, files)
	text := body(t, get(a.ServeIndex, "/"))
	require.Contains(t, text, `<link rel="modulepreload" href="/v/`+a.Version()+`/`+packed.First[0]+`">`)
	require.Equal(t, a.Paths(), pageFiles(t, a).Files, "kept on the phone with the rest")
	for _, path := range a.Paths() {
		if strings.Contains(body(t, get(a.ServeFile, path)), "the log of") {
			require.NotContains(t, text, path)
			return
		}
	}
	require.Fail(t, "the log is not served")
}

// Ensures that files are kept for good, with a strong tag for each form.
func TestFilesAreImmutable(t *testing.T) {
	a := assets(t, small())
	path := "/v/" + a.Version() + "/app.js"
	plain := get(a.ServeFile, path)
	zipped := get(a.ServeFile, path, "Accept-Encoding", "br;q=1, gzip;q=0.5")
	refused := get(a.ServeFile, path, "Accept-Encoding", "gzip;q=0, *")
	for _, r := range []*http.Response{plain, zipped, refused} {
		require.Contains(t, r.Header.Get("Cache-Control"), "immutable")
		require.Equal(t, "text/javascript; charset=utf-8", r.Header.Get("Content-Type"))
		require.Equal(t, "Accept-Encoding", r.Header.Get("Vary"))
		require.Regexp(t, `^"[0-9a-f]{32}(-gzip)?"$`, r.Header.Get("ETag"))
	}
	require.Equal(t, "gzip", zipped.Header.Get("Content-Encoding"))
	require.Empty(t, refused.Header.Get("Content-Encoding"))
	require.NotEqual(t, plain.Header.Get("ETag"), zipped.Header.Get("ETag"))
	require.Less(t, zipped.ContentLength, plain.ContentLength)
	require.Equal(t, body(t, plain), body(t, zipped))

	again := get(a.ServeFile, path, "If-None-Match", `"x", W/`+plain.Header.Get("ETag"))
	require.Equal(t, http.StatusNotModified, again.StatusCode)
	require.Empty(t, body(t, again))
	changed := get(a.ServeFile, path, "If-None-Match", zipped.Header.Get("ETag"))
	require.Equal(t, http.StatusOK, changed.StatusCode, "the tag of the other form is no match")
}

// Ensures that files of two versions are never mixed: any change makes another
// version, and the old one's addresses end.
func TestVersionsAreNotMixed(t *testing.T) {
	a := assets(t, small())
	require.Equal(t, a.Version(), assets(t, small()).Version())
	seen := map[string]bool{a.Version(): true}
	for _, name := range []string{"index.html", "part.js", "sync/worker.js", "offline/sw.js", "style/all.css", "icons/disc.svg"} {
		files := small()
		files[name] = &fstest.MapFile{Data: append(files[name].Data, " \n"...)}
		if strings.HasSuffix(name, ".js") {
			files[name].Data = append([]byte(`console.log(1);`), files[name].Data...)
		}
		if strings.HasSuffix(name, ".css") {
			files[name].Data = append([]byte(`p { margin: 0 }`), files[name].Data...)
		}
		b := assets(t, files)
		require.False(t, seen[b.Version()], name)
		seen[b.Version()] = true
		r := get(b.ServeFile, "/v/"+a.Version()+"/app.js")
		require.Equal(t, http.StatusNotFound, r.StatusCode)
		require.Equal(t, "no-store", r.Header.Get("Cache-Control"))
	}
	for _, path := range []string{"/v/", "/v/" + a.Version(), "/v/" + a.Version() + "/", "/v/" + a.Version() + "/../embed.go", "/v/" + a.Version() + "/part.js"} {
		require.Equal(t, http.StatusNotFound, get(a.ServeFile, path).StatusCode, path)
	}
}

// pageFiles reads the line that the server puts before the service worker.
func pageFiles(t *testing.T, a *web.Assets) (page struct {
	Version, Index string
	Files          []string
}) {
	t.Helper()
	line, _, _ := strings.Cut(body(t, get(a.ServeWorker, "/sw.js")), "\n")
	text := strings.TrimSuffix(strings.TrimPrefix(line, "self.buddyclockPage="), ";")
	require.NoError(t, json.Unmarshal([]byte(text), &page), line)
	return page
}

// Ensures that the service worker is asked for at every visit, and lists all of
// one version: its files, and the index that names them.
func TestWorkerListsOneWholeVersion(t *testing.T) {
	a := assets(t, small())
	r := get(a.ServeWorker, "/sw.js")
	require.Equal(t, "no-cache", r.Header.Get("Cache-Control"))
	require.Equal(t, "text/javascript; charset=utf-8", r.Header.Get("Content-Type"))
	page := pageFiles(t, a)
	require.Equal(t, a.Version(), page.Version)
	require.Equal(t, a.Paths(), page.Files)
	require.NotContains(t, strings.Join(page.Files, " "), "sw.js", "it keeps the page, not itself")
	index := get(a.ServeFile, page.Index)
	require.Equal(t, http.StatusOK, index.StatusCode)
	require.Contains(t, index.Header.Get("Cache-Control"), "immutable")
	require.Equal(t, "text/html; charset=utf-8", index.Header.Get("Content-Type"))
	require.Equal(t, body(t, get(a.ServeIndex, "/")), body(t, index))

	files := small()
	files["part.js"].Data = []byte(`export const x = 2;`)
	b := assets(t, files)
	require.NotEqual(t, body(t, r), body(t, get(b.ServeWorker, "/sw.js")), "browsers notice a new version by other bytes")
	require.Equal(t, http.StatusNotFound, get(b.ServeFile, page.Index).StatusCode, "no index of another version")
}

// Ensures that the page can be installed: a manifest whose icons are there in
// the sizes it says, and a start within its scope.
func TestPageCanBeInstalled(t *testing.T) {
	a, err := web.NewAssets(web.Source())
	require.NoError(t, err)
	found := regexp.MustCompile(`rel="manifest" href="([^"]+)"`).FindStringSubmatch(body(t, get(a.ServeIndex, "/")))
	require.NotNil(t, found)
	r := get(a.ServeFile, found[1])
	require.Equal(t, "application/manifest+json", r.Header.Get("Content-Type"))
	var manifest struct {
		ID         string `json:"id"`
		Name       string `json:"name"`
		ShortName  string `json:"short_name"`
		Start      string `json:"start_url"`
		Scope      string `json:"scope"`
		Display    string `json:"display"`
		Background string `json:"background_color"`
		Icons      []struct{ Src, Sizes, Type, Purpose string }
	}
	require.NoError(t, json.Unmarshal([]byte(body(t, r)), &manifest))
	require.NotEmpty(t, manifest.Name)
	require.LessOrEqual(t, len(manifest.ShortName), 12)
	require.Equal(t, []string{"/", "/", "/", "standalone"}, []string{manifest.ID, manifest.Start, manifest.Scope, manifest.Display})
	require.Contains(t, body(t, get(a.ServeFile, "/v/"+a.Version()+"/style.css")), manifest.Background, "the ground of the page")
	sizes := map[string]bool{}
	for _, icon := range manifest.Icons {
		r := get(a.ServeFile, path.Join(path.Dir(found[1]), icon.Src))
		require.Equal(t, http.StatusOK, r.StatusCode, icon.Src)
		require.Equal(t, icon.Type, r.Header.Get("Content-Type"))
		if icon.Type == "image/png" {
			picture, err := png.DecodeConfig(strings.NewReader(body(t, r)))
			require.NoError(t, err)
			require.Equal(t, fmt.Sprintf("%dx%d", picture.Width, picture.Height), icon.Sizes)
		}
		sizes[icon.Sizes+" "+icon.Purpose] = true
	}
	for _, wanted := range []string{"192x192 any", "512x512 any", "512x512 maskable"} {
		require.True(t, sizes[wanted], wanted)
	}
}

// Ensures that a source that is not whole is refused at start, by name.
func TestSourceMustBeWhole(t *testing.T) {
	for _, name := range []string{"index.html", "app.js", "part.js", "sync/worker.js", "offline/sw.js", "style/all.css"} {
		files := small()
		delete(files, name)
		_, err := web.NewAssets(files)
		require.ErrorContains(t, err, name)
	}
}

// Ensures that the real page stays within what a pool's network bears: all a
// hold needs, from the link to the debrief, in at most 120 KB and 25 requests.
func TestPageIsSmall(t *testing.T) {
	a, err := web.NewAssets(web.Source())
	require.NoError(t, err)
	packed, err := web.Pack(web.Source())
	require.NoError(t, err)
	first := append(packed.First, "app.js", "worker.js", "style.css")
	index := get(a.ServeIndex, "/", "Accept-Encoding", "gzip")
	bytes, requests, later := index.ContentLength, 1, int64(0)
	for _, name := range a.Paths() {
		size := get(a.ServeFile, name, "Accept-Encoding", "gzip").ContentLength
		if _, made := packed.Files[path.Base(name)]; made && !slices.Contains(first, path.Base(name)) {
			later += size
			continue
		}
		bytes += size
		requests++
	}
	// What keeps the page asks for the index once more, by its version.
	bytes += index.ContentLength + get(a.ServeWorker, "/sw.js", "Accept-Encoding", "gzip").ContentLength
	requests += 2
	t.Logf("%d bytes compressed in %d requests; %d later", bytes, requests, later)
	require.Positive(t, later, "the log is no part of the live page")
	require.LessOrEqual(t, later, int64(60<<10))
	require.LessOrEqual(t, bytes, int64(120<<10))
	require.LessOrEqual(t, requests, 25)
	for _, name := range regexp.MustCompile(`(?:src|href)="([^"]+)"`).FindAllStringSubmatch(body(t, index), -1) {
		require.Equal(t, http.StatusOK, get(a.ServeFile, name[1]).StatusCode, "the index refers to %s", name[1])
	}
}
