package localca

import (
	"bytes"
	_ "embed"
	"encoding/pem"
	"fmt"
	html "html/template"
	"net/http"
	"strconv"
	"strings"
	"time"

	"rsc.io/qr"
)

// Where the root certificate lies on the set-up page's server.
const (
	DERPath = "/buddyclock-ca.crt"
	PEMPath = "/buddyclock-ca.pem"
)

//go:embed setup.html
var setupHTML string

//go:embed setup.css
var setupCSS []byte

var setupPage = html.Must(html.New("setup").Parse(setupHTML))

// SetupHandler serves, over plain http, the page by which people have their
// devices trust the authority, and the certificate itself. The page has no
// script and none of the outing's secrets. Requests must come with a Host that
// has been judged.
func (a *Authority) SetupHandler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", a.servePage)
	mux.HandleFunc("GET /setup.css", func(w http.ResponseWriter, _ *http.Request) {
		send(w, "text/css; charset=utf-8", setupCSS)
	})
	mux.HandleFunc("GET "+DERPath, func(w http.ResponseWriter, _ *http.Request) {
		send(w, "application/x-x509-ca-cert", a.root.Raw)
	})
	mux.HandleFunc("GET "+PEMPath, func(w http.ResponseWriter, _ *http.Request) {
		send(w, "application/x-pem-file", pem.EncodeToMemory(&pem.Block{Type: certificateBlock, Bytes: a.root.Raw}))
	})
	return mux
}

// send keeps answers out of caches: another day the same address may be another host's.
func send(w http.ResponseWriter, kind string, body []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.Write(body)
}

func (a *Authority) servePage(w http.ResponseWriter, r *http.Request) {
	self := "http://" + r.Host + "/"
	code, err := qr.Encode(self, qr.M)
	if err != nil {
		http.Error(w, "this address is too long for a picture", http.StatusBadRequest)
		return
	}
	const quiet = 4
	var modules strings.Builder
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) {
				fmt.Fprintf(&modules, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	var page bytes.Buffer
	err = setupPage.Execute(&page, map[string]any{
		"Label": a.Label(), "Fingerprint": a.Fingerprint(), "Until": a.Until().Format(time.DateOnly), "Name": Name,
		"App": "https://" + r.Host + "/", "Self": self, "DERPath": DERPath, "PEMPath": PEMPath,
		"Size": code.Size + 2*quiet, "Modules": modules.String(),
	})
	if err != nil {
		http.Error(w, "the page could not be made", http.StatusInternalServerError)
		return
	}
	send(w, "text/html; charset=utf-8", page.Bytes())
}
