package localca

import (
	"crypto/x509"
	"encoding/pem"
	"encoding/xml"
	"errors"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"
)

func quietLog() *log.Logger { return log.New(io.Discard, "", 0) }

func get(t *testing.T, h http.Handler, path string) (*http.Response, string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://192.168.7.20:8080"+path, nil))
	resp := w.Result()
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp, string(text)
}

// Ensures that devices get the root certificate in the form they know, and that
// nothing of the key ever leaves.
func TestCertificateIsServed(t *testing.T) {
	a := open(t)
	h := a.SetupHandler()
	resp, body := get(t, h, DERPath)
	require.Equal(t, "application/x-x509-ca-cert", resp.Header.Get("Content-Type"))
	require.Equal(t, "no-store", resp.Header.Get("Cache-Control"))
	root, err := x509.ParseCertificate([]byte(body))
	require.NoError(t, err)
	require.True(t, root.IsCA)
	require.True(t, root.PermittedDNSDomainsCritical)
	_, body = get(t, h, PEMPath)
	block, rest := pem.Decode([]byte(body))
	require.Empty(t, rest)
	require.Equal(t, root.Raw, block.Bytes)
	for _, path := range []string{"/", "/setup.css", DERPath, PEMPath} {
		_, body := get(t, h, path)
		require.NotContains(t, body, "PRIVATE")
	}
	resp, _ = get(t, h, "/"+FileName)
	require.Equal(t, http.StatusNotFound, resp.StatusCode)
}

// Ensures that the set-up page is well formed, names each system, shows the
// fingerprint, and needs no script and nothing from elsewhere.
func TestSetupPage(t *testing.T) {
	a := open(t)
	h := a.SetupHandler()
	resp, page := get(t, h, "/")
	require.Equal(t, http.StatusOK, resp.StatusCode)
	for _, word := range []string{
		"iPhone", "Android", "Windows", "macOS", "Linux", "Certificate Trust Settings", "Firefox",
		a.Fingerprint(), a.Label(), DERPath, PEMPath, `href="https://192.168.7.20:8080/"`, Name,
	} {
		require.Contains(t, page, word)
	}
	for _, no := range []string{"<script", "style=", "onclick", "#j=", "#i="} {
		require.NotContains(t, page, no)
	}
	for _, link := range regexp.MustCompile(`(?:href|src)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		require.Regexp(t, `^(/[a-z.-]*|https://192\.168\.7\.20:8080/)$`, link[1])
		if path := link[1]; strings.HasPrefix(path, "/") {
			resp, _ := get(t, h, path)
			require.Equal(t, http.StatusOK, resp.StatusCode, path)
		}
	}
	// HTML leaves these two without an end; all else is as strict as XML.
	d := xml.NewDecoder(strings.NewReader(regexp.MustCompile(`<((?:meta|link) [^>]*)>`).ReplaceAllString(page, "<$1/>")))
	d.Entity = xml.HTMLEntity
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
	}
}

// Ensures that an independent reader reads the page's own address from its picture.
func TestSetupPictureCanBeScanned(t *testing.T) {
	_, page := get(t, open(t).SetupHandler(), "/")
	size := regexp.MustCompile(`viewBox="0 0 (\d+) \d+"`).FindStringSubmatch(page)
	require.NotNil(t, size)
	n := number(t, size[1])
	const scale = 4
	picture, err := gozxing.NewBitMatrix(n*scale, n*scale)
	require.NoError(t, err)
	for _, m := range regexp.MustCompile(`M(\d+) (\d+)h1v1h-1z`).FindAllStringSubmatch(page, -1) {
		require.NoError(t, picture.SetRegion(number(t, m[1])*scale, number(t, m[2])*scale, scale, scale))
	}
	bitmap, err := gozxing.NewBinaryBitmap(gozxing.NewGlobalHistgramBinarizer(gozxing.NewLuminanceSourceFromImage(picture)))
	require.NoError(t, err)
	read, err := qrcode.NewQRCodeReader().Decode(bitmap, nil)
	require.NoError(t, err)
	require.Equal(t, "http://192.168.7.20:8080/", read.GetText())
}

func number(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	require.NoError(t, err)
	return n
}
