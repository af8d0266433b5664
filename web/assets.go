package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// types are the kinds of files that are served, apart from packed ones. Others
// in the source are not for phones.
var types = map[string]string{
	".js":          "text/javascript; charset=utf-8",
	".css":         "text/css; charset=utf-8",
	".svg":         "image/svg+xml",
	".png":         "image/png",
	".webmanifest": "application/manifest+json",
}

// file is one file as it is served.
type file struct {
	kind    string // Content-Type
	plain   []byte
	gzipped []byte // nil where it would not be smaller
	tag     string // strong ETag of the plain form, without quotes
}

// Assets are the page's files, ready to be served. All but the index live under
// /v/<version>/, where they never change: a page that was loaded from one
// version stays with it.
type Assets struct {
	version string
	files   map[string]file // by their path below /v/<version>/
	index   file
	worker  file // the service worker
}

// NewAssets packs the page. It fails where the source is not whole.
func NewAssets(source fs.FS) (*Assets, error) {
	packed, err := Pack(source)
	if err != nil {
		return nil, err
	}
	contents := packed.Files
	err = fs.WalkDir(source, ".", func(name string, d fs.DirEntry, err error) error {
		ext := path.Ext(name)
		if err != nil || d.IsDir() || ext == ".js" || ext == ".css" || types[ext] == "" {
			return err
		}
		contents[name], err = fs.ReadFile(source, name)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("the page's files cannot be read: %w", err)
	}
	index, err := fs.ReadFile(source, indexName)
	if err != nil {
		return nil, fmt.Errorf("the page's files cannot be read: %w", err)
	}

	a := &Assets{files: map[string]file{}}
	worker := contents[workerName]
	delete(contents, workerName)
	whole := sha256.New()
	whole.Write(index)
	whole.Write(worker)
	names := slices.Sorted(maps.Keys(contents))
	made, errs := make([]file, len(names)), make([]error, len(names))
	var all sync.WaitGroup
	for i, name := range names {
		all.Go(func() { made[i], errs[i] = newFile(types[path.Ext(name)], contents[name]) })
	}
	all.Wait()
	for i, name := range names {
		a.files[name] = made[i]
		fmt.Fprintf(whole, "%s %s\n", name, made[i].tag)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	a.version = hex.EncodeToString(whole.Sum(nil))[:16]
	// What the first module imports is asked for along with it, not after it.
	for _, name := range packed.First {
		index = bytes.Replace(index, []byte(`<script`), []byte(`<link rel="modulepreload" href="./`+name+`"><script`), 1)
	}
	// The index names its files as ./name, so that it also works from a folder.
	index = bytes.ReplaceAll(index, []byte(`="./`), []byte(`="`+a.prefix()))
	if a.index, err = newFile("text/html; charset=utf-8", index); err != nil {
		return nil, err
	}
	a.worker, err = a.newWorker(worker)
	return a, err
}

func newFile(kind string, plain []byte) (file, error) {
	sum := sha256.Sum256(plain)
	f := file{kind: kind, plain: plain, tag: hex.EncodeToString(sum[:])[:32]}
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return f, err
	}
	if _, err := z.Write(plain); err != nil {
		return f, err
	}
	if err := z.Close(); err != nil {
		return f, err
	}
	if b.Len() < len(plain) {
		f.gzipped = b.Bytes()
	}
	return f, nil
}

// Version is the name of this set of files; any change to one changes it.
func (a *Assets) Version() string { return a.version }

// Paths gives the address of every file but the index, sorted.
func (a *Assets) Paths() []string {
	paths := slices.Sorted(maps.Keys(a.files))
	for i, name := range paths {
		paths[i] = a.prefix() + name
	}
	return paths
}

// prefix is what the addresses of this version's files begin with.
func (a *Assets) prefix() string { return "/v/" + a.version + "/" }

// ServeIndex answers with the page itself. It is never kept, as it alone says
// which version is the present one.
func (a *Assets) ServeIndex(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	a.index.serve(w, r)
}

// ServeFile answers with a file of the present version. A page of an older one
// must be loaded anew; it never gets files of two versions.
func (a *Assets) ServeFile(w http.ResponseWriter, r *http.Request) {
	name, ok := strings.CutPrefix(r.URL.Path, a.prefix())
	f, there := a.files[name]
	if name == indexName {
		f, there = a.index, true
	}
	if !ok || !there {
		w.Header().Set("Cache-Control", "no-store")
		http.Error(w, "this file is not of the present version of the page; load the page anew", http.StatusNotFound)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	f.serve(w, r)
}

func (f *file) serve(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	body, tag := f.plain, `"`+f.tag+`"`
	if f.gzipped != nil {
		h.Add("Vary", "Accept-Encoding")
		if acceptsGzip(r.Header.Get("Accept-Encoding")) {
			// Other bytes need another strong tag.
			body, tag = f.gzipped, `"`+f.tag+`-gzip"`
			h.Set("Content-Encoding", "gzip")
		}
	}
	h.Set("ETag", tag)
	h.Set("Content-Type", f.kind)
	if matches(r.Header.Get("If-None-Match"), tag) {
		h.Del("Content-Encoding")
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method != http.MethodHead {
		w.Write(body)
	}
}

func acceptsGzip(accept string) bool {
	for part := range strings.SplitSeq(accept, ",") {
		coding, params, _ := strings.Cut(part, ";")
		if strings.TrimSpace(coding) == "gzip" {
			q, weighted := strings.CutPrefix(strings.ReplaceAll(params, " ", ""), "q=")
			weight, err := strconv.ParseFloat(q, 64)
			return !weighted || (err == nil && weight > 0)
		}
	}
	return false
}

// matches tells whether an If-None-Match header names the tag.
func matches(header, tag string) bool {
	for part := range strings.SplitSeq(header, ",") {
		if part = strings.TrimSpace(part); part == "*" || strings.TrimPrefix(part, "W/") == tag {
			return true
		}
	}
	return false
}
