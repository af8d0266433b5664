package web_test

import (
	"encoding/json"
	"io/fs"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/web"
)

// manifestIcon is an image resource of a manifest.
type manifestIcon struct{ Src, Sizes, Type, Purpose string }

// manifestProblem says what of a manifest is not as the W3C's Web Application
// Manifest (https://www.w3.org/TR/appmanifest/, sections 2 and 3; `categories`
// of its companion https://www.w3.org/TR/manifest-app-info/) wants it, or what
// Chromium's conditions for installing a page want (https://web.dev/articles/install-criteria),
// "" where all is well. Processors of manifests are lenient, so that what is
// wrong is merely left out; here it is not.
func manifestProblem(text []byte, at string) string {
	var fields map[string]json.RawMessage
	if json.Unmarshal(text, &fields) != nil {
		return "it is no JSON object"
	}
	texts := map[string]string{}
	for key, raw := range fields {
		var one string
		var words []string
		switch key {
		case "icons":
		case "categories":
			if json.Unmarshal(raw, &words) != nil || slices.ContainsFunc(words, func(w string) bool { return w == "" || w != strings.ToLower(w) }) {
				return "categories are lower-case words"
			}
		case "id", "name", "short_name", "description", "lang", "dir", "start_url", "scope", "display", "orientation", "background_color", "theme_color":
			if json.Unmarshal(raw, &one) != nil || one == "" {
				return key + " is no text"
			}
			texts[key] = one
		default:
			return "there is no member " + key
		}
	}
	one := func(key string, may ...string) bool { return texts[key] == "" || slices.Contains(may, texts[key]) }
	color := regexp.MustCompile(`^#[0-9a-f]{6}$`)
	base, err := url.Parse(at)
	if err != nil {
		return err.Error()
	}
	start, err1 := base.Parse(texts["start_url"])
	scope, err2 := base.Parse(texts["scope"])
	id, err3 := base.Parse(texts["id"])
	switch {
	case !one("dir", "ltr", "rtl", "auto"):
		return "dir"
	case !one("orientation", "any", "natural", "landscape", "portrait", "portrait-primary", "portrait-secondary", "landscape-primary", "landscape-secondary"):
		return "orientation"
	case !one("lang", "en"), texts["lang"] == "":
		return "lang is not that of the page"
	case err1 != nil, err2 != nil, err3 != nil:
		return "an address cannot be read"
	case start.Scheme != base.Scheme, start.Host != base.Host, id.Host != base.Host:
		return "start_url or id is of another origin"
	case start.Host != scope.Host, !strings.HasPrefix(start.Path, scope.Path):
		return "start_url is not within scope"
	case texts["background_color"] != "" && !color.MatchString(texts["background_color"]), texts["theme_color"] != "" && !color.MatchString(texts["theme_color"]):
		return "a colour"
	// From here on: conditions for being installed.
	case texts["name"] == "" && texts["short_name"] == "":
		return "no name"
	case texts["start_url"] == "":
		return "no start_url"
	case !slices.Contains([]string{"standalone", "fullscreen", "minimal-ui"}, texts["display"]):
		return "display"
	}
	return iconsProblem(fields["icons"])
}

func iconsProblem(raw json.RawMessage) string {
	var icons []manifestIcon
	if json.Unmarshal(raw, &icons) != nil {
		return "icons"
	}
	large := map[int]bool{}
	for _, icon := range icons {
		if icon.Src == "" || !slices.Contains([]string{"image/png", "image/svg+xml", "image/webp"}, icon.Type) {
			return "an icon without address or type"
		}
		for _, purpose := range strings.Fields(icon.Purpose) {
			if !slices.Contains([]string{"any", "maskable", "monochrome"}, purpose) {
				return "purpose " + purpose
			}
		}
		for _, size := range strings.Fields(icon.Sizes) {
			found := regexp.MustCompile(`^([1-9]\d*)[xX]([1-9]\d*)$`).FindStringSubmatch(size)
			if found == nil && size != "any" {
				return "sizes " + size
			}
			if found != nil && found[1] == found[2] && icon.Type == "image/png" && slices.Contains(strings.Fields(icon.Purpose+" any"), "any") {
				n, err := strconv.Atoi(found[1])
				large[n] = err == nil
			}
		}
	}
	if !large[192] || !large[512] {
		return "no icon of 192 and one of 512 pixels"
	}
	return ""
}

// Ensures that the manifest keeps the rules for manifests and for being installed.
func TestManifestKeepsTheRules(t *testing.T) {
	text, err := fs.ReadFile(web.Source(), "manifest.webmanifest")
	require.NoError(t, err)
	at := "https://host.example/v/abc/manifest.webmanifest"
	require.Empty(t, manifestProblem(text, at))
	for what, change := range map[string][2]string{
		"there is no member":      {`"lang"`, `"language"`},
		"dir":                     {`"ltr"`, `"left"`},
		"start_url is not within": {`"scope": "/"`, `"scope": "/v/"`},
		"of another origin":       {`"start_url": "/"`, `"start_url": "https://elsewhere.example/"`},
		"a colour":                {`"#e7eae6"`, `"grey"`},
		"display":                 {`"standalone"`, `"browser"`},
		"no icon of 192":          {`"192x192"`, `"191x191"`},
		"sizes":                   {`"sizes": "any"`, `"sizes": "all"`},
		"purpose":                 {`"maskable"`, `"masked"`},
		"categories are":          {`["sports"]`, `["Sports"]`},
		"an icon without":         {`"type": "image/png", `, ``},
		"name is no text":         {`"name": "Buddyclock"`, `"name": 7`},
		"it is no JSON":           {`{`, `[`},
		"lang is not that":        {`"en"`, `"xx"`},
		"start_url is no text":    {`"start_url": "/"`, `"start_url": ""`},
	} {
		spoilt := strings.Replace(string(text), change[0], change[1], 1)
		require.NotEqual(t, string(text), spoilt, what)
		require.Contains(t, manifestProblem([]byte(spoilt), at), what)
	}
}
