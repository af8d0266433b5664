package web

import (
	"encoding/json"
	"fmt"
	"net/http"
)

// indexName is the index's name among the files of its version. Phones that
// keep the page take it from there, so that it is of that version for sure.
const indexName = "index.html"

// newWorker puts before the packed service worker which version it keeps, and
// that version's files.
func (a *Assets) newWorker(packed []byte) (file, error) {
	page, err := json.Marshal(struct {
		Version string   `json:"version"`
		Index   string   `json:"index"`
		Files   []string `json:"files"`
	}{a.version, a.prefix() + indexName, a.Paths()})
	if err != nil {
		return file{}, err
	}
	return newFile(types[".js"], fmt.Appendf(nil, "self.buddyclockPage=%s;\n%s", page, packed))
}

// ServeWorker answers with the service worker. Browsers ask for it anew at
// every visit, and learn by it that there is a new version.
func (a *Assets) ServeWorker(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-cache")
	a.worker.serve(w, r)
}
